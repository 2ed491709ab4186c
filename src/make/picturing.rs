//! Makes a small picture of a product, for pages.

use super::planes::{flags_of, whole};
use super::{MakeError, Maker, mask, provenance};
use crate::facts::ChannelLine;
use crate::fits::{FitsError, Source};
use crate::page::{Preview, preview, preview_with_defects};

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
        let unusable = |error: FitsError| place.unusable(error);
        let source = Source::open(&place.path, &self.unpacker).map_err(unusable)?;
        let camera = provenance::camera(source.header())
            .ok_or_else(|| place.unusable("it does not describe itself as a product"))?;
        let plane = whole(&source).map_err(unusable)?;
        let is_master = source.header().text("DLKIND").is_some();
        let flags = match is_master {
            true => flags_of(&place.path, plane.dim()).map_err(unusable)?,
            false => None,
        };
        let (picture, note) = match &flags {
            Some(flags) => {
                let count = flags.iter().filter(|&&flag| flag & DEFECTS != 0).count();
                let picture = preview_with_defects(plane.view(), camera.cfa, flags.view(), DEFECTS);
                (picture, format!("{count} pixels flagged"))
            }
            None => (
                preview(plane.view(), camera.cfa, &wanted.lines),
                String::new(),
            ),
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
