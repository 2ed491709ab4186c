//! What is refused, what is passed over with a remark, and what is neither.

use super::*;

#[test]
fn refusals_name_the_keyword_and_what_it_holds() {
    for (list, wanted) in [
        (
            vec![("IMAGETYP", t("focus"))],
            "IMAGETYP is 'focus': not a known kind; want light, flat, dark, bias or flat-dark, or \
             an entry under `kinds` in the profile",
        ),
        (
            vec![("IMAGETYP", Value::None)],
            "no kind: none of IMAGETYP, IMAGETYPE, IMGTYPE, FRAMETYP, FRAME, OBSTYPE is in the header",
        ),
        (
            vec![("INSTRUME", Value::None)],
            "no camera name: none of INSTRUME, CAMERA, DETNAM is in the header",
        ),
        (
            vec![("INSTRUME", t("Knot 1"))],
            "no profile names the camera \"Knot 1\": add `camera: \"Knot 1\"` to the profile of its rig",
        ),
        (
            vec![("EXPTIME", Value::None)],
            "no exposure: none of EXPTIME, EXPOSURE, EXP_TIME, EXPOSURE TIME, XPOSURE is in the header",
        ),
        (
            vec![("EXPTIME", Value::Real(-1.0))],
            "EXPTIME is -1: want an exposure from 0 to 86400 seconds",
        ),
        (
            vec![("EXPTIME", Value::Real(f64::NAN))],
            "EXPTIME is NaN: want an exposure in seconds",
        ),
        (
            vec![("EXPTIME", Value::Real(1e9))],
            "EXPTIME is 1000000000: want an exposure from 0 to 86400 seconds",
        ),
        (
            vec![("EXPTIME", t("long"))],
            "EXPTIME is 'long': want an exposure in seconds",
        ),
        (
            vec![("EXPTIME", Value::Integer(0))],
            "EXPTIME is 0: a light is longer than 0 seconds; only a bias is not",
        ),
        (
            vec![("IMAGETYP", t("Master Dark"))],
            "already processed: IMAGETYP is 'Master Dark'",
        ),
        (
            vec![("CALSTAT", t("BDF"))],
            "already processed: CALSTAT is 'BDF'",
        ),
        (
            vec![("NCOMBINE", Value::Integer(12))],
            "already processed: NCOMBINE is 12",
        ),
        (
            vec![("SNAPSHOT", t("3"))],
            "already processed: SNAPSHOT is '3'",
        ),
        (
            vec![("STACKCNT", Value::Real(2.0))],
            "already processed: STACKCNT is 2",
        ),
        (
            vec![("DEBAYER", Value::Logical(true))],
            "already processed: DEBAYER is T",
        ),
        (
            vec![("NAXIS3", Value::Integer(3))],
            "already processed: NAXIS3 is 3",
        ),
        (
            vec![("DLPRINT", t("0123"))],
            "already processed: DLPRINT is '0123'",
        ),
        (vec![("GAIN", t("High"))], "GAIN is 'High': want a number"),
        (
            vec![("OFFSET", Value::Real(f64::INFINITY))],
            "OFFSET is inf: want a number",
        ),
        (
            vec![("XBINNING", Value::Integer(0))],
            "XBINNING is 0: want whole numbers from 1 to 64",
        ),
        (
            vec![("BINNING", t("two"))],
            "BINNING is 'two': want whole numbers from 1 to 64",
        ),
        (
            vec![("BINNING", t("1x2x3"))],
            "BINNING is '1x2x3': want one or two whole numbers, such as 2x2",
        ),
        (
            vec![("ROWORDER", t("sideways"))],
            "ROWORDER is 'sideways': want TOP-DOWN or BOTTOM-UP",
        ),
        (
            vec![("XORGSUBF", Value::Integer(-3))],
            "XORGSUBF is -3: want a whole number from 0 to 1048576",
        ),
    ] {
        assert_eq!(refused(&list), wanted);
    }
}

#[test]
fn harmless_headers_are_not_taken_for_products() {
    for list in [
        vec![("CALSTAT", t(" "))],
        vec![("NCOMBINE", Value::Integer(1))],
        vec![("SNAPSHOT", Value::Integer(0))],
        vec![("DEBAYER", Value::Logical(false))],
        vec![("NAXIS3", Value::Integer(1))],
        vec![("BITPIX", Value::Integer(-32))],
        vec![("DLOSS", Value::Integer(3))],
        vec![("PEDESTAL", Value::Integer(100))],
    ] {
        look(&list);
    }
    let mut all = light(&[]).cards().to_vec();
    all.push(Card::new(
        "HISTORY",
        Value::None,
        "stacked, calibrated, master",
    ));
    look_at(&Header::new(all), "a.fits", "").unwrap();
}

#[test]
fn odd_but_usable_leaves_a_remark() {
    let frame = look(&[
        ("CCD-TEMP", t("cold")),
        ("SET-TEMP", Value::Integer(999)),
        ("XPIXSZ", Value::Real(-1.0)),
    ]);
    assert_eq!(frame.temperature, None);
    assert_eq!(
        frame.remarks,
        [
            "CCD-TEMP is 'cold': not a temperature of a sensor in Celsius, ignored",
            "SET-TEMP is 999: not a temperature of a sensor in Celsius, ignored",
            "XPIXSZ is -1: not a positive length, ignored",
        ]
    );
    // The rotator's name does not hide its angle.
    let frame = look(&[("ROTATOR", t("Whimbrel")), ("ROTATANG", t("93.5 deg"))]);
    assert_eq!(frame.rotator, Degrees::new(93.5));
    assert!(frame.remarks.is_empty());
    let frame = look(&[("IMAGETYP", t("Flat")), ("FRAME", t("Light"))]);
    assert_eq!(frame.kind, Kind::Flat);
    assert_eq!(
        frame.remarks,
        ["IMAGETYP says flat, FRAME says light: the first is believed"]
    );
    let frame = look(&[("EXPOSURE", t("30 s"))]);
    assert_eq!(frame.exposure.get(), 300.0);
    assert_eq!(
        frame.remarks,
        ["EXPTIME is 300, EXPOSURE is '30 s': the first is believed"]
    );
    assert!(
        look(&[("EXPOSURE", Value::Real(300.02))])
            .remarks
            .is_empty()
    );
    assert_eq!(look(&[("GAIN", t("N/A"))]).camera.gain, None);
    let frame = look(&[("ROTATOR", Value::Real(-1e-20))]);
    assert_eq!(frame.rotator, Degrees::new(0.0));
}

#[test]
fn long_and_unprintable_values_are_shown_short() {
    let text = refused(&[("IMAGETYP", t(&"x\n".repeat(500)))]);
    assert!(text.chars().count() < 220, "{text}");
    assert!(!text.contains('\n'), "{text}");
}
