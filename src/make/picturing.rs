//! Makes a small picture of a product, for pages.

use super::planes::open_flags;
use super::{MakeError, Maker, mask, provenance};
use std::path::Path;

use crate::facts::ChannelLine;
use crate::fits::{FitsError, Source};
use crate::page::{Marks, Preview, Shrunk, preview, preview_with_defects};

/// Of 100: small, and without visible blocks.
const QUALITY: u8 = 82;

/// What of a master's flags is marked.
const DEFECTS: u8 = mask::HOT | mask::DEAD | mask::LOST;

/// A product to make a picture of.
#[derive(Clone, Debug, PartialEq)]
pub struct ToPicture {
    /// Where it lies, relative to the output folder.
    pub product: String,
    /// Its channel lines, where they are known.
    pub lines: Vec<ChannelLine>,
}

impl Maker {
    /// Makes a picture of a product, the right way up: of a light as it looks, of a master with its defects.
    ///
    /// # Errors
    /// [`MakeError::Master`] where it cannot be read.
    pub fn picture(&self, wanted: &ToPicture) -> Result<Preview, MakeError> {
        let place = self.product(&wanted.product);
        let unread = |error: FitsError| place.unread(error);
        let source = Source::open(&place.path, &self.unpacker).map_err(unread)?;
        let camera = provenance::camera(source.header())
            .ok_or_else(|| place.unusable("it does not describe itself as a product"))?;
        let shape = (source.height(), source.width());
        let rows =
            |first: usize, out: &mut [f32]| source.rows_f32(first, out.len() / shape.1.max(1), out);
        let plane = Shrunk::read(shape, rows).map_err(unread)?;
        let is_master = source.header().text("DLKIND").is_some();
        let marks = match is_master {
            true => marks_of(&place.path, shape).map_err(unread)?,
            false => None,
        };
        let (picture, note) = match &marks {
            Some(marks) => (
                preview_with_defects(&plane, camera.cfa, marks),
                format!("{} pixels flagged", marks.total),
            ),
            None => (preview(&plane, camera.cfa, &wanted.lines), String::new()),
        };
        let picture = picture.upright(camera.row_order);
        Ok(Preview {
            product: wanted.product.clone(),
            note,
            width: picture.width,
            height: picture.height,
            jpeg: picture.jpeg(QUALITY),
        })
    }
}

/// The defects of a product of this shape; nothing where it has no flags.
fn marks_of(path: &Path, shape: (usize, usize)) -> Result<Option<Marks>, FitsError> {
    let Some(source) = open_flags(path, shape)? else {
        return Ok(None);
    };
    let rows =
        |first: usize, out: &mut [u16]| source.rows_u16(first, out.len() / shape.1.max(1), out);
    Marks::read(shape, DEFECTS, rows).map(Some)
}
