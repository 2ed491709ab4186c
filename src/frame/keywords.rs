//! Where each fact of a subframe is looked for: the one table of header keywords.
//!
//! The spellings are those found in files in the wild; no standard covers most of them. A fact's
//! keywords are tried from left to right. A profile can put its own in front (`keywords`) and can
//! state a fact by a file's path (`paths`), under the names used here.
//!
//! It does not know what the values mean.

/// A fact and the keywords that state it, most telling first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fact {
    /// The name used in a profile's `keywords` and `paths`.
    pub name: &'static str,
    /// Header keywords, in the order in which they are tried.
    pub keywords: &'static [&'static str],
}

macro_rules! facts {
    ($($(#[$doc:meta])* $constant:ident = $name:literal: [$($keyword:literal),* $(,)?];)*) => {
        $($(#[$doc])* pub(super) const $constant: Fact =
            Fact { name: $name, keywords: &[$($keyword),*] };)*

        /// Every fact that a profile can name, in the order of the table.
        pub const FACTS: &[Fact] = &[$($constant),*];
    };
}

facts! {
    /// Light, flat, dark, bias or flat-dark, in one of many spellings.
    KIND = "kind": ["IMAGETYP", "IMAGETYPE", "IMGTYPE", "FRAMETYP", "FRAME", "OBSTYPE"];
    /// The camera's name, which finds the profile.
    CAMERA = "camera": ["INSTRUME", "CAMERA", "DETNAM"];
    /// Seconds, unless a unit is written.
    EXPOSURE = "exposure_s": ["EXPTIME", "EXPOSURE", "EXP_TIME", "EXPOSURE TIME", "XPOSURE"];
    /// Celsius, unless a unit is written.
    TEMPERATURE = "temperature_c":
        ["CCD-TEMP", "CCD_TEMP", "CCDTEMP", "DET-TEMP", "DETTEMP", "TEMPERAT", "CHIPTEMP"];
    /// What the cooler was told, Celsius.
    SET_POINT = "set_point_c": ["SET-TEMP", "SET_TEMP", "SETTEMP", "SETPOINT", "TEMPSET"];
    /// The camera's gain setting; ISO speed is a consumer camera's.
    GAIN = "gain": ["GAIN", "GAINSET", "ISOSPEED", "ISO"];
    /// The camera's offset setting.
    OFFSET = "offset": ["OFFSET", "BLKLEVEL", "BLACKLVL", "BLACKLEV", "BLACKLEVEL"];
    /// The readout mode's name or number.
    READOUT_MODE = "readout_mode": ["READOUTM", "READMODE", "READOUT", "RDMODE"];
    /// Both factors in one value: `2x2`, `2 2` or `2`.
    BINNING = "binning": ["BINNING", "CCDSUM", "BIN"];
    /// Binning along a row.
    BINNING_X = "binning_x": ["XBINNING", "XBIN", "BINX", "CCDXBIN"];
    /// Binning along a column.
    BINNING_Y = "binning_y": ["YBINNING", "YBIN", "BINY", "CCDYBIN"];
    /// First column of the subframe on the sensor, in binned pixels from 0.
    ORIGIN_X = "origin_x": ["XORGSUBF", "XORG"];
    /// First row of the subframe on the sensor, in binned pixels from 0.
    ORIGIN_Y = "origin_y": ["YORGSUBF", "YORG"];
    /// TOP-DOWN or BOTTOM-UP.
    ROW_ORDER = "row_order": ["ROWORDER"];
    /// RGGB and its kin.
    CFA = "cfa": ["BAYERPAT", "COLORTYP", "BAYRPAT", "CFAPAT"];
    /// Columns by which the array's origin lies off.
    CFA_X = "cfa_x": ["XBAYROFF", "BAYOFFX"];
    /// Rows by which the array's origin lies off.
    CFA_Y = "cfa_y": ["YBAYROFF", "BAYOFFY"];
    /// The filter's name in the wheel.
    FILTER = "filter": ["FILTER", "FILTNAME", "FILTERID", "FILTER1"];
    /// Telescope or lens.
    TELESCOPE = "telescope": ["TELESCOP", "TELNAME", "LENS"];
    /// Millimetres, unless a unit is written.
    FOCAL_LENGTH = "focal_length_mm": ["FOCALLEN", "FOCAL", "FOCLEN"];
    /// Mechanical angle.
    ROTATOR = "rotator_deg": ["ROTATOR", "ROTATANG", "ROTANGLE", "ROTANG", "ROTPOS"];
    /// Position angle on the sky, which a meridian flip turns by 180 degrees.
    SKY_ANGLE = "sky_angle_deg": ["POSANGLE", "POSANG", "SKYANGLE", "OBJCTROT", "CROTA2"];
    /// What was aimed at.
    TARGET = "target": ["OBJECT", "TARGET", "OBJNAME", "TARGNAME"];
    /// Start of the exposure, UTC, as FITS writes a date.
    START = "start_utc": ["DATE-OBS", "DATE_OBS", "DATEOBS", "DATE-BEG"];
    /// The time of day, where the date stands alone.
    START_TIME = "start_time": ["TIME-OBS", "TIME_OBS", "UT-OBS", "UTSTART", "UT"];
    /// Right ascension: sexagesimal hours, or degrees.
    RA = "ra": ["RA", "OBJCTRA", "TELRA"];
    /// Declination: sexagesimal or plain degrees.
    DEC = "dec": ["DEC", "OBJCTDEC", "TELDEC"];
    /// Micrometres after binning, unless a unit is written.
    PIXEL = "pixel_um": ["XPIXSZ", "PIXSIZE1", "PIXSIZE", "PIXSZ"];
    /// Electrons per ADU.
    ELECTRONS_PER_ADU = "electrons_per_adu": ["EGAIN", "E-GAIN"];
}
