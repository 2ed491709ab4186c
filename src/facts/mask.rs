//! The bits of a product's mask. What sets them stands in `make`.

/// Light: saturated in the raw frame.
pub const SATURATED: u8 = 1;
/// Far above its neighbours of the same colour in the dark or bias.
pub const HOT: u8 = 2;
/// Without signal in the flat, where it counts as 1.
pub const DEAD: u8 = 4;
/// Light: replaced from its neighbours.
pub const REPAIRED: u8 = 8;
/// No exposure of a master was left for it.
pub const LOST: u8 = 16;
