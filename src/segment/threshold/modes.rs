//! Whether a histogram has a peak of its own for the pores, and where it and the solid lie.

use std::f64::consts::PI;

/// Two peaks are two only if the valley between them is at most 1/1.25 of the lower one.
const PEAK_OVER_VALLEY: f64 = 1.25;
/// … and only if it rises above the valley by this many standard deviations of its count. Neighbouring pixels are not
/// independent after a median, so the usual three are doubled.
const PEAK_DEVIATIONS: f64 = 6.0;
/// A dark peak with less than this share of the picture is dust or a dead pixel, not the pores.
pub const SMALLEST_SHARE: f64 = 2e-4;
/// The solid takes at least this share; a picture with less is a bright spot on a dark ground.
const SMALLEST_SOLID_SHARE: f64 = 0.1;

/// Greys of pores and solid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Modes {
    /// Most frequent grey of the pores: the grey of their floors.
    pub pore: usize,
    /// Least frequent grey between that and the next peak.
    pub valley: usize,
    /// Median grey of what is brighter than the valley.
    pub solid: usize,
}

/// Finds the darkest peak that stands clear of the rest; `None` if no dark peak does.
///
/// The histogram is smoothed by a normal curve of 1/64 of its range between 0.1 % and 99.9 %, at least 1 grey. Of
/// neighbouring peaks the lower one is dropped while the valley between them is not at least a fifth below it, or not
/// below it by more than chance.
/// A picture without pores has one peak, or one for the solid and one of saturated pixels, and so gives `None`.
///
/// # References
/// J. M. S. Prewitt, M. L. Mendelsohn, Ann. N. Y. Acad. Sci. 128 (1966) 1035 (modes and the valley between them; from
/// memory).
pub fn modes(histogram: &[u64]) -> Option<Modes> {
    let pixels: u64 = histogram.iter().sum();
    let range = percentile(histogram, 0.999)? - percentile(histogram, 0.001)?;
    let deviation = (range as f64 / 64.0).max(1.0);
    let smooth = smoothed(histogram, deviation);
    let peaks = clear_peaks(&smooth, deviation);
    peaks.windows(2).find_map(|pair| {
        let valley = lowest(&smooth, pair[0], pair[1]);
        let share = histogram[..=valley].iter().sum::<u64>() as f64 / pixels as f64;
        let solid = &histogram[valley + 1..];
        ((SMALLEST_SHARE..=1.0 - SMALLEST_SOLID_SHARE).contains(&share)).then(|| Modes {
            pore: pair[0],
            valley,
            solid: valley + 1 + percentile(solid, 0.5).expect("invariant: the solid is not empty"),
        })
    })
}

/// Share of pixels in a dark tail that has no bright counterpart: farther below the median than 1.5 times the distance
/// from there up to the 99.9 % point.
///
/// A solid without pores, be it of one grey or of many, has hardly any; grooves, cracks, and pores too small or too
/// pale for a peak of their own do.
pub fn dark_tail(histogram: &[u64]) -> f64 {
    let ends = percentile(histogram, 0.5).zip(percentile(histogram, 0.999));
    let Some((median, bright_end)) = ends else { return 0.0 };
    let limit = median as f64 - 1.5 * (bright_end - median) as f64;
    let below: u64 = histogram.iter().take(limit.max(0.0).ceil() as usize).sum();
    below as f64 / histogram.iter().sum::<u64>() as f64
}

/// The lowest grey at or below which `share` of the pixels lie; `None` for an empty histogram.
pub(crate) fn percentile(histogram: &[u64], share: f64) -> Option<usize> {
    let pixels: u64 = histogram.iter().sum();
    let wanted = ((pixels as f64 * share).ceil() as u64).max(1);
    let mut below = 0;
    histogram.iter().position(|&count| {
        below += count;
        below >= wanted
    })
}

/// Convolution with a normal curve, mirrored at both ends.
fn smoothed(histogram: &[u64], deviation: f64) -> Vec<f64> {
    let reach = (4.0 * deviation).ceil() as isize;
    let weights: Vec<f64> =
        (-reach..=reach).map(|step| (-0.5 * (step as f64 / deviation).powi(2)).exp()).collect();
    let total: f64 = weights.iter().sum();
    let length = histogram.len() as isize;
    let mirrored = |grey: isize| {
        let wrapped = grey.rem_euclid(2 * length);
        histogram[wrapped.min(2 * length - 1 - wrapped) as usize] as f64
    };
    (0..length)
        .map(|grey| {
            let sum: f64 = (-reach..=reach).zip(&weights).map(|(step, w)| w * mirrored(grey + step)).sum();
            sum / total
        })
        .collect()
}

/// Peaks with a clear valley between neighbours, from dark to bright.
fn clear_peaks(smooth: &[f64], deviation: f64) -> Vec<usize> {
    let at = |grey: Option<usize>| grey.and_then(|g| smooth.get(g)).copied().unwrap_or(-1.0);
    let mut peaks: Vec<usize> = (0..smooth.len())
        .filter(|&g| smooth[g] >= 1.0 && smooth[g] > at(g.checked_sub(1)) && smooth[g] >= at(Some(g + 1)))
        .collect();
    loop {
        // At least 1 for two peaks that are clear of each other.
        let clearness = |pair: &[usize]| {
            let lower = smooth[pair[0]].min(smooth[pair[1]]);
            let valley = smooth[lowest(smooth, pair[0], pair[1])];
            // Smoothing by a normal curve of deviation s averages 2√π·s counts.
            let noise = (lower / (2.0 * PI.sqrt() * deviation)).sqrt();
            (lower / (PEAK_OVER_VALLEY * valley.max(1.0))).min((lower - valley) / (PEAK_DEVIATIONS * noise))
        };
        let weakest = peaks.windows(2).map(clearness).enumerate().min_by(|a, b| a.1.total_cmp(&b.1));
        match weakest {
            Some((pair, clearness)) if clearness < 1.0 => {
                let lower_one = smooth[peaks[pair]] >= smooth[peaks[pair + 1]];
                peaks.remove(pair + usize::from(lower_one));
            }
            _ => return peaks,
        }
    }
}

/// The first lowest point between two peaks.
fn lowest(smooth: &[f64], from: usize, to: usize) -> usize {
    (from..=to).min_by(|&a, &b| smooth[a].total_cmp(&smooth[b])).unwrap_or(from)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::threshold::two_normal_classes;

    #[test]
    fn two_normal_classes_have_their_modes() {
        let found = modes(&two_normal_classes()).unwrap();
        assert_eq!(found.pore, 70);
        assert!((168..=172).contains(&found.solid), "{found:?}");
        assert!((95..=112).contains(&found.valley), "{found:?}");
    }

    #[test]
    fn one_class_has_no_pores() {
        let normal = |grey: i32| (1e5 * (-0.5 * (f64::from(grey - 140) / 17.0).powi(2)).exp()) as u64;
        assert_eq!(modes(&(0..256).map(normal).collect::<Vec<_>>()), None);
    }

    #[test]
    fn saturated_pixels_are_not_the_solid() {
        let mut histogram: Vec<u64> =
            (0..256).map(|g| (1e4 * (-0.5 * (f64::from(g - 140) / 17.0).powi(2)).exp()) as u64).collect();
        histogram[255] = 9000;
        assert_eq!(modes(&histogram), None);
    }

    #[test]
    fn dust_is_not_the_pores() {
        let mut histogram = two_normal_classes();
        histogram[3] = 40;
        assert_eq!(modes(&histogram).unwrap().pore, 70);
    }

    #[test]
    fn only_a_tail_to_the_dark_counts_as_dark_tail() {
        let normal = |grey: i32, mean: f64, height: f64| {
            (height * (-0.5 * ((f64::from(grey) - mean) / 12.0).powi(2)).exp()) as u64
        };
        let solid: Vec<u64> = (0..256).map(|g| normal(g, 140.0, 1e5)).collect();
        assert!(dark_tail(&solid) < SMALLEST_SHARE);
        let grooves: Vec<u64> = (0..256).map(|g| normal(g, 140.0, 1e5) + normal(g, 85.0, 1e3)).collect();
        assert!(dark_tail(&grooves) > SMALLEST_SHARE);
        let bright: Vec<u64> = grooves.iter().rev().copied().collect();
        assert!(dark_tail(&bright) < SMALLEST_SHARE);
    }

    #[test]
    fn an_empty_histogram_has_no_modes() {
        assert_eq!(modes(&[0; 256]), None);
    }
}
