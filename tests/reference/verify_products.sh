#!/usr/bin/env bash
# Plays the demo night with every plane that lights can have, then lets others judge the products:
# fitsverify may find no error and no warning, astropy (verify_products.py) no wrong checksum and
# no figure that its pixels do not have. What is missing is installed where that is possible, else
# its half is left out, which is said.
#
#     tests/reference/verify_products.sh PROGRAM
set -euo pipefail

program="$(realpath "$1")"
cd "$(dirname "$0")/../.."
here=tests/reference
# Kept among what is built, so that it is filled once.
python=target/reference/bin/python
scratch="$(mktemp -d)"
trap 'rm -rf "$scratch"' EXIT
log="$scratch/log"

have_fitsverify() {
    command -v fitsverify >/dev/null && return
    [[ $EUID -eq 0 ]] && command -v apt-get >/dev/null || return 1
    # The lists may be old or missing.
    local get=(timeout 300 apt-get -qq -o Acquire::Retries=0 -o DPkg::Lock::Timeout=60)
    "${get[@]}" install -y fitsverify &>>"$log" && return
    "${get[@]}" update &>>"$log" && "${get[@]}" install -y fitsverify &>>"$log"
}

have_astropy() {
    [[ -x $python ]] || python3 -m venv target/reference &>>"$log" || return 1
    # Asks the network only for what is missing.
    timeout 300 "$python" -m pip install --quiet --retries 0 --timeout 15 \
        --disable-pip-version-check -r "$here/requirements.txt" &>>"$log"
}

# Plays the night as it ships, then makes its lights anew with other contents.
night="$scratch/night"
"$program" demo --folder "$night" &>"$log" || { cat "$log"; exit 1; }
cp -r "$night/profiles" "$scratch/profiles"
cp -r "$night/products" "$scratch/shipped"
variant() {
    local name="$1" lines="$2"
    for profile in "$scratch"/profiles/*.yaml; do
        { cat "$profile"; echo "$lines"; } >"$night/profiles/${profile##*/}"
    done
    "$program" once --config "$night/settings.yaml" &>"$log" || { cat "$log"; exit 1; }
    cp -r "$night/products" "$scratch/$name"
}
variant planes 'products: {uncertainty: true, repair_hot_pixels: true}
sensor: {read_noise_e: 1.5, electrons_per_adu: 0.78}'
variant integers 'products: {samples: {bits: 16}}'
variant compressed 'products: {samples: {bits: 16}, compressed: true}'
folders=("$scratch"/{shipped,planes,integers,compressed})

mapfile -t products < <(find "${folders[@]}" -name '*.fits*')
if ((${#products[@]} < 100)); then
    echo "only ${#products[@]} products were made"
    exit 1
fi
failed=0
if have_fitsverify; then
    if fitsverify -q "${products[@]}" >"$scratch/report"; then
        echo "fitsverify: ${#products[@]} products without error or warning"
    else
        grep -v '^verification OK' "$scratch/report" || true
        failed=1
    fi
else
    echo 'LEFT OUT: fitsverify is not installed and could not be'
fi
if have_astropy; then
    for folder in "${folders[@]}"; do
        "$python" "$here/verify_products.py" "$folder" || failed=1
    done
else
    echo 'LEFT OUT: astropy is not installed and could not be'
fi
exit "$failed"
