//! Grain size by area: mean equivalent diameter, the coarse tail, and whether one population is enough.

use crate::measure::distribution::{distribution, percentile};
use crate::study::result::{CoarseTail, Grain, GrainResults, Populations};
use crate::units::{Length, LengthUnit, Spacing};

/// A grain is coarse above this multiple of the median diameter.
pub const COARSE_TIMES_MEDIAN: f64 = 3.0;

/// What the grains were found on.
#[derive(Clone, Copy, Debug)]
pub struct GrainFrame<'a> {
    /// Columns of the measured area.
    pub width_px: usize,
    /// Rows of the measured area.
    pub height_px: usize,
    /// Distance between pixels.
    pub spacing: Spacing,
    /// Name of the boundary map, as on the command line.
    pub boundaries: &'a str,
    /// Mean boundary strength along all boundaries that were kept, 0 to 1.
    pub mean_boundary_strength: f64,
}

/// Summary of the grains of a field; sizes come from the grains that the frame does not cut.
///
/// A large grain is cut more often than a small one. Each whole grain therefore counts W·H / ((W - F_x)·(H - F_y)) times,
/// with its bounding box F_x by F_y: the inverse of its chance to lie whole in the frame.
///
/// # References
/// Miles (1974) and Lantuéjoul (1978), after Serra, Image Analysis and Mathematical Morphology (1982) (from memory).
pub fn grain_results(grains: &[Grain], frame: &GrainFrame, mean_intercept: Option<f64>) -> GrainResults {
    let whole: Vec<&Grain> = grains.iter().filter(|g| !g.region.touches_frame).collect();
    let weights: Vec<f64> = whole.iter().map(|g| frame_weight(g, frame)).collect();
    let diameters: Vec<f64> = whole.iter().map(|g| g.region.equivalent_diameter).collect();
    let weighted = |value: &dyn Fn(&Grain) -> f64| {
        let sum: f64 = whole.iter().zip(&weights).map(|(g, w)| w * value(g)).sum();
        (!whole.is_empty()).then(|| sum / weights.iter().sum::<f64>())
    };
    let plain = |value: &dyn Fn(&Grain) -> f64| {
        (!whole.is_empty()).then(|| whole.iter().map(|g| value(g)).sum::<f64>() / whole.len() as f64)
    };
    let spacing = frame.spacing;
    let mean_diameter = weighted(&|g| g.region.equivalent_diameter);
    let mean_intercept = mean_intercept.filter(|&l| l > 0.0);
    GrainResults {
        boundaries: frame.boundaries.to_owned(),
        mean_boundary_strength: frame.mean_boundary_strength,
        whole_grain_count: whole.len() as u64,
        mean_area: weighted(&|g| g.region.area).map(|a| spacing.area(a)),
        mean_equivalent_diameter: mean_diameter.map(|d| spacing.length(d)),
        mean_equivalent_diameter_unweighted: plain(&|g| g.region.equivalent_diameter)
            .map(|d| spacing.length(d)),
        diameter_to_intercept_ratio: mean_diameter.zip(mean_intercept).map(|(d, l)| d / l),
        mean_aspect_ratio: plain(&|g| g.region.aspect_ratio()),
        mean_neighbours: plain(&|g| f64::from(g.neighbours)),
        boundary_area_per_volume_per_um: mean_intercept
            .filter(|_| spacing.unit == LengthUnit::Um)
            .map(|l| 2.0 / l),
        diameters: distribution(&diameters, spacing.unit),
        coarse: coarse_tail(&diameters),
        populations: populations(&diameters, spacing.unit),
    }
}

/// How many grains a whole grain stands for, those cut by the frame included.
fn frame_weight(grain: &Grain, frame: &GrainFrame) -> f64 {
    let (width, height) = (frame.width_px as f64, frame.height_px as f64);
    let bounds = grain.region.bounding_box;
    // A whole grain leaves at least one column and one row of the frame free.
    let free_x = (width - bounds.width as f64).max(1.0);
    let free_y = (height - bounds.height as f64).max(1.0);
    width * height / (free_x * free_y)
}

/// Share of the grains above [`COARSE_TIMES_MEDIAN`] times the median diameter; `None` without grains.
pub fn coarse_tail(diameters: &[f64]) -> Option<CoarseTail> {
    let mut sorted = diameters.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let largest = *sorted.last()?;
    let limit = COARSE_TIMES_MEDIAN * percentile(&sorted, 0.5);
    let coarse = &sorted[sorted.partition_point(|&d| d <= limit)..];
    let area = |diameters: &[f64]| diameters.iter().map(|d| d * d).sum::<f64>();
    let n = sorted.len() as f64;
    Some(CoarseTail {
        times_median: COARSE_TIMES_MEDIAN,
        count_percent: 100.0 * coarse.len() as f64 / n,
        area_percent: 100.0 * area(coarse) / area(&sorted),
        largest_over_mean: largest * n / sorted.iter().sum::<f64>(),
    })
}

/// Fewer diameters than this cannot tell two populations from one.
const DIAMETERS_NEEDED: usize = 50;

/// Cells that the logarithms are sorted into before fitting, so that the cost does not grow with the sample.
const CELLS: usize = 512;

/// One lognormal population of diameters against two, by the Bayesian information criterion; `None` below 50 diameters.
///
/// Two populations are fitted by expectation and maximisation from fixed starts, so the answer is the same every time.
///
/// # References
/// Dempster, Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1; Schwarz, Ann. Stat. 6 (1978) 461; Kass and Raftery, J. Am.
/// Stat. Assoc. 90 (1995) 773 for the limit of 10 (all from memory).
pub fn populations(diameters: &[f64], unit: LengthUnit) -> Option<Populations> {
    let logarithms: Vec<f64> =
        diameters.iter().filter(|d| **d > 0.0 && d.is_finite()).map(|d| d.ln()).collect();
    if logarithms.len() < DIAMETERS_NEEDED {
        return None;
    }
    let cells = Cells::new(&logarithms)?;
    let one = cells.normal();
    let two = STARTS
        .into_iter()
        .map(|share| cells.fit_two(share, one.deviation))
        .max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood))?;
    let n = logarithms.len() as f64;
    // Two normals have five parameters, one has two.
    let gain = 2.0 * (two.log_likelihood - cells.log_likelihood(&[one])) - 3.0 * n.ln();
    let [fine, coarse] = two.parts;
    let length = |value: f64| match unit {
        LengthUnit::Um => Length::Um(value),
        LengthUnit::Px => Length::Px(value),
    };
    Some(Populations {
        bic_one_minus_two: gain,
        two_populations: gain > 10.0 && coarse.mean - fine.mean >= 2f64.ln(),
        medians: [length(fine.mean.exp()), length(coarse.mean.exp())],
        coarser_percent: 100.0 * coarse.share,
    })
}

/// Shares of the sample that start as the finer population.
const STARTS: [f64; 4] = [0.2, 0.5, 0.8, 0.95];

/// A part of the mixture: normal in the logarithm.
#[derive(Clone, Copy)]
struct Part {
    share: f64,
    mean: f64,
    deviation: f64,
}

impl Part {
    fn density(&self, x: f64) -> f64 {
        let z = (x - self.mean) / self.deviation;
        self.share / self.deviation * (-0.5 * z * z).exp()
    }
}

struct TwoParts {
    parts: [Part; 2],
    log_likelihood: f64,
}

/// Logarithms sorted into cells: centre and count, empty cells left out.
struct Cells(Vec<(f64, f64)>);

impl Cells {
    fn new(logarithms: &[f64]) -> Option<Self> {
        let low = logarithms.iter().copied().fold(f64::MAX, f64::min);
        let high = logarithms.iter().copied().fold(f64::MIN, f64::max);
        let width = (high - low) / CELLS as f64;
        if !(width > 1e-9) {
            return None;
        }
        let mut counts = vec![0u64; CELLS];
        for l in logarithms {
            counts[(((l - low) / width) as usize).min(CELLS - 1)] += 1;
        }
        let filled = counts.iter().enumerate().filter(|(_, n)| **n > 0);
        Some(Self(filled.map(|(i, &n)| (low + (i as f64 + 0.5) * width, n as f64)).collect()))
    }

    /// Mean and deviation of the cells, each weighted by `share` of its count.
    fn weighted_normal(&self, share: impl Fn(f64) -> f64) -> Part {
        let total: f64 = self.0.iter().map(|(_, n)| n).sum();
        let weights: Vec<f64> = self.0.iter().map(|&(x, n)| n * share(x)).collect();
        let sum: f64 = weights.iter().sum();
        let mean = self.0.iter().zip(&weights).map(|((x, _), w)| w * x).sum::<f64>() / sum;
        let square = self.0.iter().zip(&weights).map(|((x, _), w)| w * (x - mean).powi(2)).sum::<f64>() / sum;
        Part { share: sum / total, mean, deviation: square.sqrt() }
    }

    fn normal(&self) -> Part {
        self.weighted_normal(|_| 1.0)
    }

    /// Up to a constant that is the same for every mixture.
    fn log_likelihood(&self, parts: &[Part]) -> f64 {
        self.0
            .iter()
            .map(|&(x, n)| n * parts.iter().map(|p| p.density(x)).sum::<f64>().max(1e-300).ln())
            .sum()
    }

    /// Expectation and maximisation from the split that puts `finer_share` of the sample into the finer part.
    fn fit_two(&self, finer_share: f64, spread: f64) -> TwoParts {
        let total: f64 = self.0.iter().map(|(_, n)| n).sum();
        let mut below = 0.0;
        let split = self.0.iter().find(|(_, n)| {
            below += n;
            below >= finer_share * total
        });
        let split = split.map_or(f64::MAX, |cell| cell.0);
        // A part narrower than this would describe a few equal sizes, not a population.
        let floor = 0.05 * spread;
        let sound = |p: Part| Part { deviation: p.deviation.max(floor), ..p };
        let last = self.0[self.0.len() - 1].0;
        let split = split.min(last - 1e-12);
        let mut parts = [
            sound(self.weighted_normal(|x| f64::from(u8::from(x <= split)))),
            sound(self.weighted_normal(|x| f64::from(u8::from(x > split)))),
        ];
        let mut likelihood = self.log_likelihood(&parts);
        for _ in 0..500 {
            let before = parts;
            let share = |x: f64, i: usize| {
                let both = before[0].density(x) + before[1].density(x);
                if both > 0.0 { before[i].density(x) / both } else { 0.5 }
            };
            parts =
                [sound(self.weighted_normal(|x| share(x, 0))), sound(self.weighted_normal(|x| share(x, 1)))];
            let gained = self.log_likelihood(&parts) - likelihood;
            likelihood += gained;
            if gained.abs() < 1e-6 {
                break;
            }
        }
        if parts[0].mean > parts[1].mean {
            parts.swap(0, 1);
        }
        TwoParts { parts, log_likelihood: likelihood }
    }
}
