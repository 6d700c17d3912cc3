//! Colour to grey.
//!
//! Luminance is the weighted sum of ITU-R BT.709, Y' = 0.2126 R' + 0.7152 G' + 0.0722 B', on the values as coded in
//! the file. The weights are whole numbers that add up to 2¹⁶, so that equal channels give exactly their own value.
//!
//! # References
//! Recommendation ITU-R BT.709-6 (2015), item 3.2.

use crate::warning::Warning;

const RED: u32 = 13_933;
const GREEN: u32 = 46_871;
const BLUE: u32 = 4_732;

/// Channels that differ by more than this share of the grey range are colour, not rounding of a lossy file.
const COLOUR_SHARE: u32 = 32;

/// A grey level of 8 or 16 bits.
pub(super) trait Level: Copy + Default + Into<u32> {
    /// Largest level.
    const LARGEST: u32;
    /// The level `value`, which fits.
    fn from_u32(value: u32) -> Self;
}

impl Level for u8 {
    const LARGEST: u32 = 255;
    fn from_u32(value: u32) -> Self {
        value as u8
    }
}

impl Level for u16 {
    const LARGEST: u32 = 65_535;
    fn from_u32(value: u32) -> Self {
        value as u16
    }
}

/// Luminance of one pixel.
pub(super) fn luminance<T: Level>(red: T, green: T, blue: T) -> T {
    let sum = RED * red.into() + GREEN * green.into() + BLUE * blue.into();
    T::from_u32((sum + (1 << 15)) >> 16)
}

/// The grey picture behind interleaved samples, and what was lost on the way.
///
/// `channels` is 1 (grey), 2 (grey and alpha), 3 (colour) or 4 (colour and alpha).
pub(super) fn grey_of<T: Level>(samples: Vec<T>, channels: usize) -> (Vec<T>, Vec<Warning>) {
    let mut warnings = Vec::new();
    if channels == 2 || channels == 4 {
        warnings.push(alpha_ignored());
    }
    let grey = match channels {
        1 => samples,
        2 => samples.chunks_exact(2).map(|pixel| pixel[0]).collect(),
        _ => {
            warnings.extend(colour_warning(&samples, channels));
            samples.chunks_exact(channels).map(|p| luminance(p[0], p[1], p[2])).collect()
        }
    };
    (grey, warnings)
}

/// The same for planes that lie one after another.
pub(super) fn grey_of_planes<T: Level>(samples: Vec<T>, channels: usize) -> (Vec<T>, Vec<Warning>) {
    let plane = samples.len() / channels;
    let interleaved =
        (0..plane).flat_map(|i| (0..channels).map(move |c| c * plane + i)).map(|i| samples[i]).collect();
    grey_of(interleaved, channels)
}

fn alpha_ignored() -> Warning {
    Warning::new(
        "alpha-ignored",
        "the picture has a transparency channel, which was ignored; transparent parts are measured as they are stored",
    )
}

fn colour_warning<T: Level>(samples: &[T], channels: usize) -> Option<Warning> {
    let limit = T::LARGEST / COLOUR_SHARE;
    let coloured = samples
        .chunks_exact(channels)
        .filter(|p| {
            let [r, g, b]: [u32; 3] = [p[0].into(), p[1].into(), p[2].into()];
            r.max(g).max(b) - r.min(g).min(b) > limit
        })
        .count();
    (coloured > 0).then(|| {
        let percent = 100.0 * coloured as f64 * channels as f64 / samples.len() as f64;
        Warning::new(
            "colour-to-grey",
            format!("{percent:.2} % of the picture is coloured and was turned to grey by luminance; coloured marks may disturb the measures"),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_channels_give_exactly_their_value() {
        assert_eq!(RED + GREEN + BLUE, 1 << 16);
        assert!((0..=255u8).all(|v| luminance(v, v, v) == v));
        assert!((0..=65_535u16).all(|v| luminance(v, v, v) == v));
    }

    /// BT.709 weights times 255, rounded.
    #[test]
    fn primaries_have_the_weights_of_bt_709() {
        assert_eq!(luminance(255u8, 0, 0), 54);
        assert_eq!(luminance(0, 255u8, 0), 182);
        assert_eq!(luminance(0, 0, 255u8), 18);
    }

    #[test]
    fn alpha_and_colour_are_reported_and_grey_stored_as_colour_is_not() {
        let (grey, warnings) = grey_of(vec![9u8, 0, 8, 255], 2);
        assert_eq!(grey, [9, 8]);
        assert_eq!(warnings[0].code, "alpha-ignored");
        assert!(grey_of(vec![7u8, 7, 7, 9, 9, 9], 3).1.is_empty());
        assert_eq!(grey_of(vec![200u8, 7, 7], 3).1[0].code, "colour-to-grey");
    }

    #[test]
    fn planes_are_the_same_picture_as_interleaved_samples() {
        let (planes, _) = grey_of_planes(vec![1u8, 2, 3, 4, 5, 6], 3);
        assert_eq!(planes, grey_of(vec![1u8, 3, 5, 2, 4, 6], 3).0);
    }
}
