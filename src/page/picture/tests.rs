//! Small pictures of invented planes.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use ndarray::Array2;

use super::*;

/// A slow random sequence is enough for a sky.
fn sky(rows: usize, columns: usize, level: impl Fn(usize, usize) -> f64) -> Array2<f32> {
    let mut state = 7u64;
    Array2::from_shape_fn((rows, columns), |(y, x)| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        let uniform = (state >> 11) as f64 / (1u64 << 53) as f64;
        (level(x, y) + 20.0 * (uniform - 0.5)) as f32
    })
}

/// Boxes with pixels that are not finite, among others.
#[test]
fn boxes_are_means_of_what_is_finite() {
    let cfa = Cfa::parse("RGGB").unwrap();
    let mut plane = sky(484, 970, |x, y| (x + 3 * y) as f64);
    let side = Boxes::over(plane.dim()).side;
    assert_eq!(side, 4);
    plane[(1, 1)] = f32::NAN;
    plane[(2, 9)] = f32::INFINITY;
    (plane[(5, 5)], plane[(5, 6)]) = (f32::INFINITY, f32::NEG_INFINITY);
    plane.slice_mut(ndarray::s![8..12, 8..12]).fill(f32::NAN);
    let shrunk = Shrunk::of(plane.view());
    for colour in [None, Some(Colour::Red), Some(Colour::Green)] {
        let takes = |x, y| colour.is_none_or(|colour| cfa.at(x, y) == colour);
        let means = shrunk.means(takes);
        for (place, mean) in means.iter().enumerate() {
            let (top, left) = (place / 242 * side, place % 242 * side);
            let pixels = (0..side * side).map(|at| (top + at / side, left + at % side));
            let pixels = pixels
                .filter(|&(y, x)| takes(x, y))
                .map(|place| f64::from(plane[place]));
            let pixels: Vec<f64> = pixels.filter(|pixel| pixel.is_finite()).collect();
            let wanted = pixels.iter().sum::<f64>() / pixels.len() as f64;
            let near = (mean - wanted).abs() < 1e-9 || mean.is_nan() && wanted.is_nan();
            assert!(near, "box {place}: {mean}, {wanted}");
        }
    }
}

#[test]
fn a_picture_is_small_and_its_sky_dark_grey() {
    let plane = sky(1000, 1500, |x, y| {
        let away = (x as f64 - 700.0).hypot(y as f64 - 400.0);
        500.0 + 4000.0 * (-away / 40.0).exp()
    });
    let picture = preview(&Shrunk::of(plane.view()), None, &[]);
    assert_eq!((picture.width, picture.height), (375, 250));
    assert_eq!(picture.bytes.len(), 375 * 250);
    let mut bytes: Vec<f64> = picture.bytes.iter().map(|&b| f64::from(b)).collect();
    let sky = median(&mut bytes).unwrap();
    assert!((20.0..70.0).contains(&sky), "{sky}");
    assert!(
        picture.bytes[100 * 375 + 175] > 240,
        "the bright spot is white"
    );
    let jpeg = picture.jpeg(80);
    assert_eq!(&jpeg[..3], [0xff, 0xd8, 0xff]);
    assert!(jpeg.len() < 60_000, "{}", jpeg.len());
}

#[test]
fn the_channel_line_makes_a_green_sky_grey() {
    let cfa = Cfa::parse("RGGB").unwrap();
    let plane = sky(200, 300, |x, y| match cfa.at(x, y) {
        Colour::Red => 0.5 * 1000.0 + 30.0,
        Colour::Green => 1000.0,
        Colour::Blue => 0.8 * 1000.0 - 10.0,
    });
    let line = |colour, slope, intercept_adu| ChannelLine {
        colour,
        slope,
        intercept_adu,
    };
    let lines = [line(Colour::Red, 0.5, 30.0), line(Colour::Blue, 0.8, -10.0)];
    for lines in [&lines[..], &[]] {
        let picture = preview(&Shrunk::of(plane.view()), Some(cfa), lines);
        assert!(picture.coloured);
        let mean = |channel| {
            let values = picture.bytes.iter().skip(channel).step_by(3);
            values.map(|&b| f64::from(b)).sum::<f64>() / (picture.bytes.len() / 3) as f64
        };
        let (red, green, blue) = (mean(0), mean(1), mean(2));
        assert!(
            (red - green).abs() < 12.0 && (blue - green).abs() < 12.0,
            "{red} {green} {blue}"
        );
    }
}

#[test]
fn a_picture_stands_upright_whatever_the_order_of_its_rows() {
    // Brighter and brighter from the first row to the last, a spot in the last but one.
    for cfa in [None, Cfa::parse("GRBG")] {
        let mut plane = sky(200, 300, |_, y| 500.0 + y as f64);
        plane.slice_mut(ndarray::s![196..198, 100..102]).fill(9e3);
        let stored = preview(&Shrunk::of(plane.view()), cfa, &[]);
        let rows = |picture: &Picture| -> Vec<Vec<u8>> {
            let row = picture.width * if picture.coloured { 3 } else { 1 };
            picture.bytes.chunks(row).map(<[u8]>::to_vec).collect()
        };
        for order in [RowOrder::Unstated, RowOrder::TopDown] {
            assert_eq!(stored.clone().upright(order), stored);
        }
        let turned = stored.clone().upright(RowOrder::BottomUp);
        assert_eq!((turned.width, turned.height), (stored.width, stored.height));
        let mut wanted = rows(&stored);
        wanted.reverse();
        assert_eq!(rows(&turned), wanted);
        assert!(
            turned.bytes[0] > stored.bytes[0],
            "what was last is at the top"
        );
    }
    let nothing = preview(&Shrunk::of(Array2::zeros((0, 0)).view()), None, &[]);
    assert_eq!(nothing.clone().upright(RowOrder::BottomUp), nothing);
}

/// Of flags at (row, column).
fn marks(shape: (usize, usize), which: u8, flags: &[(usize, usize, u16)]) -> Marks {
    let read = |first: usize, out: &mut [u16]| -> Result<(), Infallible> {
        out.fill(0);
        for &(row, column, flag) in flags.iter().filter(|flag| flag.0 >= first) {
            if let Some(pixel) = out.get_mut((row - first) * shape.1 + column) {
                *pixel = flag;
            }
        }
        Ok(())
    };
    let Ok(marks) = Marks::read(shape, which, read);
    marks
}

#[test]
fn marks_outside_of_all_boxes_count() {
    // Boxes of 4 pixels; three rows and a column are left over.
    let marks = marks(
        (963, 961),
        6,
        &[(0, 0, 2), (0, 960, 4), (962, 5, 2), (5, 5, 1)],
    );
    assert_eq!((marks.boxes.width, marks.boxes.height), (240, 240));
    assert_eq!((marks.total, marks.counts.iter().sum::<u32>()), (3, 1));
}

#[test]
fn a_single_defect_is_seen() {
    let plane = sky(960, 960, |_, _| 100.0);
    let marks = marks((960, 960), 2, &[(501, 301, 2), (11, 11, 1)]);
    assert_eq!(marks.total, 1);
    let picture = preview_with_defects(&Shrunk::of(plane.view()), None, &marks);
    let pixel = |x: usize, y: usize| &picture.bytes[(y * picture.width + x) * 3..][..3];
    let [red, green, blue] = pixel(150, 250) else {
        panic!()
    };
    assert!(red > &(green + 40) && green > blue);
    let [red, green, _] = pixel(5, 5) else {
        panic!()
    };
    assert_eq!(red, green);
}

#[test]
fn nothing_to_see_is_no_panic() {
    let none = preview(
        &Shrunk::of(Array2::from_elem((3, 0), 0.0f32).view()),
        None,
        &[],
    );
    assert!(none.bytes.is_empty() && none.jpeg(80).is_empty());
    let flat = preview(
        &Shrunk::of(Array2::from_elem((40, 40), f32::NAN).view()),
        None,
        &[],
    );
    assert!(flat.bytes.iter().all(|&byte| byte == 0));
}
