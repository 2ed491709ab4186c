//! Where a stored frame sees no light: columns and rows that are read out with the image, without
//! being part of it.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A run of whole columns or rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Stripe {
    /// The first of them, from 0.
    pub first: u32,
    /// How many.
    pub count: u32,
    /// How many of them, next to the image, are not measured, since charge trails into them.
    pub skip: u32,
}

impl Stripe {
    /// First and number of the image's pixels on a side of `side`: the longer part beside the
    /// stripe. What lies on its other side is between it and the edge.
    fn image(self, side: u32) -> (u32, u32) {
        let end = self.first.saturating_add(self.count);
        let after = side.saturating_sub(end);
        if after >= self.first {
            (end, after)
        } else {
            (0, self.first)
        }
    }

    /// First and number of those that are measured.
    fn measured(self, side: u32) -> (u32, u32) {
        let count = self.count.saturating_sub(self.skip);
        match self.image(side) {
            (0, _) => (self.first.saturating_add(self.skip), count),
            _ => (self.first, count),
        }
    }
}

/// Columns, rows or both.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Stripes {
    /// Whole columns.
    pub columns: Option<Stripe>,
    /// Whole rows.
    pub rows: Option<Stripe>,
}

impl fmt::Display for Stripes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let named = [("columns", self.columns), ("rows", self.rows)];
        let mut between = "";
        for (word, stripe) in named {
            if let Some(Stripe { first, count, skip }) = stripe {
                write!(f, "{between}{count} {word} from {first} but {skip}")?;
                between = ", ";
            }
        }
        Ok(())
    }
}

/// The overscan of a frame, in pixels as stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Overscan {
    /// Columns and rows of the whole stored frame.
    pub stored: (u32, u32),
    /// What sees no light.
    pub stripes: Stripes,
}

/// A rectangle of stored pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Its first column.
    pub left: usize,
    /// Its first row.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Overscan {
    /// The image: what is left when the stripes are cut off, and with them all that lies between
    /// them and the nearer edge. Empty where nothing is left.
    pub fn image(&self) -> Window {
        let part = |stripe: Option<Stripe>, side| match stripe {
            Some(stripe) => stripe.image(side),
            None => (0, side),
        };
        let (left, width) = part(self.stripes.columns, self.stored.0);
        let (top, height) = part(self.stripes.rows, self.stored.1);
        Window::new((left, top), (width, height))
    }

    /// What is measured of the stripes, each from edge to edge.
    pub fn regions(&self) -> impl Iterator<Item = Window> {
        let (width, height) = self.stored;
        let columns = self.stripes.columns.map(|stripe| {
            let (first, count) = stripe.measured(width);
            Window::new((first, 0), (count, height))
        });
        let rows = self.stripes.rows.map(|stripe| {
            let (first, count) = stripe.measured(height);
            Window::new((0, first), (width, count))
        });
        columns.into_iter().chain(rows)
    }
}

impl Window {
    fn new((left, top): (u32, u32), (width, height): (u32, u32)) -> Self {
        Self {
            left: left as usize,
            top: top as usize,
            width: width as usize,
            height: height as usize,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_image_is_on_the_longer_side() {
        let stripe = |first, count| {
            Some(Stripe {
                first,
                count,
                skip: 2,
            })
        };
        for (columns, rows, wanted) in [
            (stripe(0, 24), None, ((24, 0), (76, 50))),
            (stripe(4, 20), None, ((24, 0), (76, 50))),
            (stripe(90, 10), None, ((0, 0), (90, 50))),
            (stripe(88, 10), stripe(0, 3), ((0, 3), (88, 47))),
            (None, stripe(45, 5), ((0, 0), (100, 45))),
            (stripe(0, 100), None, ((100, 0), (0, 50))),
        ] {
            let overscan = Overscan {
                stored: (100, 50),
                stripes: Stripes { columns, rows },
            };
            let (corner, size) = wanted;
            assert_eq!(overscan.image(), Window::new(corner, size), "{overscan:?}");
        }
        // Two columns and rows next to the image are left out.
        let stripes = Stripes {
            columns: stripe(88, 10),
            rows: stripe(0, 3),
        };
        let overscan = Overscan {
            stored: (100, 50),
            stripes,
        };
        let wanted = [Window::new((90, 0), (8, 50)), Window::new((0, 0), (100, 1))];
        assert_eq!(overscan.regions().collect::<Vec<_>>(), wanted);
    }
}
