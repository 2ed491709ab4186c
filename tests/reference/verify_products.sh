#!/usr/bin/env bash
# Plays the demo night with every plane and kind of sample that lights can have, with scaled darks behind
# an overscan, and with masters that were there before, then lets others judge the products: fitsverify
# may find no error and no warning, astropy (verify_products.py) no wrong checksum and no figure that its
# pixels do not have. What is missing is installed where that is possible, else its part is left out,
# which is said.
#
#     tests/reference/verify_products.sh [--strict] PROGRAM
#
# With --strict nothing may be left out: exits with 1 where something is.
set -euo pipefail

strict=0
if [[ $1 == --strict ]]; then
    strict=1
    shift
fi
program="$(realpath "$1")"
cd "$(dirname "$0")/../.."
here=tests/reference
# Kept among what is built, so that it is filled once.
python=target/reference/bin/python
scratch="$(mktemp -d)"
trap 'rm -rf "$scratch"' EXIT
log="$scratch/log"
failed=0

left_out() {
    echo "LEFT OUT: $1"
    ((!strict)) || failed=1
}

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

# Plays the night as it ships.
night="$scratch/night"
"$program" demo --folder "$night" &>"$log" || { cat "$log"; exit 1; }
cp -r "$night/profiles" "$scratch/profiles"

# Keeps a night's products as a variant. A sign that stands in no header means that they are not what
# they should be.
variants=()
keep() {
    local from="$1" name="$2" sign
    for sign in "${@:3}"; do
        if ! grep -rqaF --include='*.fits*' "$sign" "$from/products"; then
            echo "$name: no product has $sign"
            exit 1
        fi
    done
    cp -r "$from/products" "$scratch/$name"
    variants+=("$name")
}
keep "$night" shipped 'DLMETHOD='

once() {
    "$program" once --config "$1/settings.yaml" &>"$log" || { cat "$log"; exit 1; }
}

# A night with other frames, without products: the shipped one's settings and profiles.
fresh() {
    mkdir -p "$1"
    cp -r "$night/settings.yaml" "$scratch/profiles" "$1"
}

# Makes the shipped night's lights anew with other contents.
variant() {
    local name="$1" sign="$2" lines="$3"
    for profile in "$scratch"/profiles/*.yaml; do
        { cat "$profile"; echo "$lines"; } >"$night/profiles/${profile##*/}"
    done
    once "$night"
    keep "$night" "$name" "$sign"
}
split='split_lines: true'
duo='passbands: {L: {Ha: red, OIII: green-blue}}'
variant planes "DLLINE  = 'OIII" "$duo
products: {uncertainty: true, repair_hot_pixels: true, $split}
sensor: {read_noise_e: 1.5, electrons_per_adu: 0.78}"
variant integers 'DLADDED =' "$duo
products: {samples: {bits: 16}, $split}"
variant compressed 'ZCMPTYPE=' "$duo
products: {samples: {bits: 16}, compressed: true, $split}"

# Lights alone, and the shipped night's masters as if they came from elsewhere.
ready="$scratch/ready"
fresh "$ready"
cp -rp "$night/incoming" "$scratch/shipped/masters" "$ready"
find "$ready/incoming" -iregex '.*/\(bias\|dark\|flat\|.*_flat\)_[^/]*' -delete
for rig in north-pier:petrel-26m south-pier:dunlin-24c; do
    {
        echo 'supplied:'
        for master in "$ready/masters/${rig#*:}"/*/*.fits; do
            kind="$(basename "$(dirname "$master")")"
            echo "  - {file: \"$master\", kind: $kind}"
        done
    } >>"$ready/profiles/${rig%:*}.yaml"
done
once "$ready"
keep "$ready" supplied ' supplied:'

# Darks of another exposure than the lights' and without glow, on sensors that are read out farther than
# they see.
if have_astropy; then
    scaled="$scratch/scaled-night"
    fresh "$scaled"
    sed -e 's/exposure_s: 120, every_s: 122/exposure_s: 300, every_s: 302/' \
        -e 's/glow_e_per_s: 1.6/glow_e_per_s: 0/' demo-data/scenario.yaml >"$scratch/scenario.yaml"
    "$program" simulate "$scratch/scenario.yaml" "$scaled/incoming" &>"$log" || { cat "$log"; exit 1; }
    "$python" "$here/overscan.py" "$scaled/incoming" 24 300
    sed -i 's/dark: *{rule: required/&, scaling: ccd-without-glow/' "$scaled/profiles/south-pier.yaml"
    for profile in "$scaled"/profiles/*.yaml; do
        echo 'overscan: {columns: {first: 256, count: 24, skip: 2}}' >>"$profile"
    done
    once "$scaled"
    keep "$scaled" scaled 'DLSCALE =' 'DLOSCAN ='
fi

mapfile -t products < <(find "${variants[@]/#/$scratch/}" -name '*.fits*')
if ((${#products[@]} < 100)); then
    echo "only ${#products[@]} products were made"
    exit 1
fi
if have_fitsverify; then
    if fitsverify -q "${products[@]}" >"$scratch/report"; then
        echo "fitsverify: ${#products[@]} products without error or warning"
    else
        grep -v '^verification OK' "$scratch/report" || true
        failed=1
    fi
else
    left_out 'fitsverify is not installed and could not be'
fi
if have_astropy; then
    for name in "${variants[@]}"; do
        "$python" "$here/verify_products.py" "$scratch/$name" || failed=1
    done
else
    left_out 'astropy is not installed and could not be, and with it scaled darks behind an overscan'
fi
exit "$failed"
