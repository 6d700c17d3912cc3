//! Boundaries and pores as a trained network sees them.
//!
//! The network (`network`) answers, for every pixel, how probable it is that a grain boundary runs there and that it
//! belongs to a pore. It was trained on drawn pictures of one range of grain sizes in pixels: a picture is brought to the
//! scale at which its grains suit (`resample`), goes through in tiles (`tiles`), and the maps are brought back. What a
//! tile cannot see is found before, once for the whole picture as it looks from afar (`surroundings`): whether an even
//! patch is the floor of a wide pore or the middle of a large grain shows only there.

pub mod grains;
pub mod levels;
pub mod likelihood;
mod network;
pub mod reliability;
mod resample;
pub mod suited_scale;
mod surroundings;
mod tiles;

use std::borrow::Cow;

use crate::error::Error;
use crate::grid::Grid;
use crate::micrograph::Grey;
use crate::options::Tone;

/// Largest factor that a picture is enlarged by, and one over the smallest that it is reduced by.
const LARGEST_SCALE: f64 = 32.0;

/// What the network says of a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Maps {
    /// Logit of the probability of a grain boundary, 255 levels from -6 to 6 ([`levels`]); a boundary is one pixel wide on
    /// either side.
    pub boundary: Grid<u8>,
    /// Probability of a pore in 255 parts.
    pub pore: Grid<u8>,
    /// How far the count of boundaries on such a surface falls short, because part of them shows neither as a step nor as
    /// a line, or lines show that are none: natural logarithm of true over counted passages, beyond what the ambiguity of
    /// the count says. The mean over all that is not pore.
    pub shortfall: f64,
}

/// Boundaries and pores of a picture, at its own size, seen by the network at `scale` times that size.
///
/// Greys are standardised by mean and standard deviation of the whole picture, as the network sees it. The same picture
/// and scale give the same bytes for any number of threads. On processors with other vector instructions the sums of
/// the network are rounded in another order, and a probability may differ by one part in 255.
///
/// # Errors
/// [`Error::Network`] if the scale does not lie between 1/32 and 32, or the network in the program is damaged.
pub fn maps(picture: &Grey, scale: f64) -> Result<Maps, Error> {
    if !(1.0 / LARGEST_SCALE..=LARGEST_SCALE).contains(&scale) {
        return Err(Error::Network { why: format!("a scale from 1/32 to 32 is expected, not {scale}") });
    }
    let (width, height) = (picture.width(), picture.height());
    let scaled = |side: usize| ((side as f64 * scale).round() as usize).max(1);
    let (seen_width, seen_height) = (scaled(width), scaled(height));
    let picture = sixteen_bit(picture);
    if (seen_width, seen_height) == (width, height) {
        return tiles::maps(&picture);
    }
    let seen = resample::picture(&picture, seen_width, seen_height);
    drop(picture);
    let maps = tiles::maps(&seen)?;
    drop(seen);
    Ok(Maps {
        boundary: resample::lines(&maps.boundary, width, height),
        pore: resample::map(&maps.pore, width, height),
        shortfall: maps.shortfall,
    })
}

/// The picture with dark pores, as the network has mostly seen them: its negative if pores are bright.
pub fn with_dark_pores(picture: &Grey, tone: Tone) -> Cow<'_, Grey> {
    match (tone, picture) {
        (Tone::Dark, _) => Cow::Borrowed(picture),
        (Tone::Bright, Grey::Eight(grid)) => Cow::Owned(Grey::Eight(grid.map(|grey| u8::MAX - grey))),
        (Tone::Bright, Grey::Sixteen(grid)) => Cow::Owned(Grey::Sixteen(grid.map(|grey| u16::MAX - grey))),
    }
}

fn sixteen_bit(picture: &Grey) -> Cow<'_, Grid<u16>> {
    match picture {
        Grey::Eight(grid) => Cow::Owned(grid.map(|grey| 257 * u16::from(grey))),
        Grey::Sixteen(grid) => Cow::Borrowed(grid),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture() -> Grid<u8> {
        Grid::from_fn(150, 100, |x, y| ((x * x / 7 + y * 13) % 200) as u8)
    }

    #[test]
    fn maps_have_the_size_of_the_picture_at_any_scale() {
        for scale in [0.1, 0.5, 0.77, 1.0, 1.5] {
            let maps = maps(&Grey::Eight(picture()), scale).unwrap();
            assert!(maps.boundary.same_shape(&picture()) && maps.pore.same_shape(&picture()));
        }
        assert_eq!(maps(&Grey::Eight(Grid::filled(1, 1, 3)), 0.5).unwrap().pore.len(), 1);
    }

    #[test]
    fn sixteen_bits_say_what_eight_say() {
        let wide = Grey::Sixteen(picture().map(|grey| 257 * u16::from(grey)));
        assert_eq!(maps(&wide, 0.8).unwrap(), maps(&Grey::Eight(picture()), 0.8).unwrap());
    }

    #[test]
    fn a_scale_that_makes_no_sense_is_refused() {
        for scale in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e9] {
            assert!(maps(&Grey::Eight(picture()), scale).is_err(), "{scale}");
        }
    }
}
