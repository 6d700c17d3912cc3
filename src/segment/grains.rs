//! Grains of a picture: boundary map, basins, and their merging.

use std::borrow::Cow;
use std::ops::Range;

use rayon::prelude::*;

use super::basin_graph::{Contrast, Merging, Sums};
use super::basins::{Springs, basins};
use super::boundary::{Boundaries, Evidence, Seen, boundaries, ratio};
use super::edges::{Edge, capped_edges, edges, grouped_edges};
use super::learned::grains::{Likely, View, as_probabilities, likely};
use super::learned::reliability;
use super::learned::suited_scale::learned_grains;
use super::working_scale::find_at_best_scale;
use crate::differences::each_run;
use crate::grid::{Grid, Labels};
use crate::micrograph::Grey;
use crate::options::{BoundaryMethod, GrainOptions};
use crate::warning::Warning;

/// Regions of fewer px are joined to the neighbour behind their weakest boundary: the line filter is 11 px long and
/// 5 px wide, and sees nothing smaller.
pub(crate) const SMALLEST_PX: u64 = 40;

/// Parts of a picture that are summed up at once.
const SUM_PARTS: usize = 4;
/// Rows of a part whose greys are asked for at once.
const SUM_ROWS: usize = 128;

/// The grains of a picture.
#[derive(Clone, Debug)]
pub struct GrainMap {
    /// One label for each grain in raster order; 0 in pores, and in solid that touches no other and is too small for a grain.
    pub labels: Labels,
    /// The boundary map that they were found on, 0 to 255.
    pub boundaries: Grid<u8>,
    /// Mean boundary strength along all boundaries between grains, 0 to 1; 0 where there is none.
    pub mean_boundary_strength: f64,
    /// Boundaries between grains, ordered by the labels on both sides.
    pub edges: Vec<Edge>,
    /// How likely each boundary between finer regions is; `None` unless boundaries are learned.
    pub likely: Option<Likely>,
    /// Whether the boundaries carry a result. If not, `labels` are a guess, and a warning says why.
    pub reliable: bool,
    /// Doubts: `grain-boundaries-too-weak` if not reliable, `grain-boundaries-faint` if many may be missed.
    pub warnings: Vec<Warning>,
}

/// How boundaries of one kind are merged. Found on drawn pictures with known grains, one set for all.
pub(crate) struct Rules {
    /// No pixel counts for more than this along a boundary: where a false line meets a true one, a few strong pixels
    /// would otherwise carry it.
    pub cap: f64,
    /// Response (in grey levels) that one grey level of contrast between two regions is worth.
    pub contrast_worth: f64,
    /// Contrast of two single pixels that noise explains, in medians of the response to noise.
    pub contrast_noise: f64,
}

impl Rules {
    pub fn of(method: BoundaryMethod) -> Self {
        match method {
            BoundaryMethod::Ridge => Self { cap: 0.3, contrast_worth: 0.3, contrast_noise: 16.0 },
            BoundaryMethod::Gradient => Self { cap: 0.2, contrast_worth: 0.8, contrast_noise: 20.0 },
            BoundaryMethod::Learned => Self { cap: 1.0, contrast_worth: 0.0, contrast_noise: 0.0 },
        }
    }

    /// How contrast counts on a picture.
    pub fn contrast(&self, evidence: &Evidence) -> Contrast {
        Contrast {
            per_grey: self.contrast_worth * 255.0 / evidence.full,
            noise: self.contrast_noise * evidence.opposite.median,
        }
    }
}

/// Splits the solid between `pores` into grains, at the scale at which their boundaries are clearest.
///
/// Basins of the boundary map ([`basins`]) are joined, weakest common boundary first, until none is weaker than
/// `merge_below`. The strength of a boundary is the mean of the map along it plus a share of the contrast between the
/// two regions. Every solid pixel belongs to a grain, but for specks that pores cut off from all others. Pores are left
/// out: grains on both sides of a pore are two grains unless they meet beside it.
///
/// Learned boundaries ask the network, at the scale of the picture, and go on as [`find_on`].
pub fn find(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> GrainMap {
    if options.method == BoundaryMethod::Learned {
        let grey = Grey::Eight(picture.clone());
        return learned_grains(&grey, picture, pores).expect("invariant: the network runs on any picture");
    }
    find_at_best_scale(picture, pores, options)
}

impl GrainMap {
    /// Takes the map back, for this reason in place of lesser ones.
    pub(crate) fn doubt(&mut self, why: Warning) {
        self.warnings = vec![why];
        self.reliable = false;
    }
}

/// Splits the solid between `pores` into grains on a learned map of boundaries.
///
/// Regions finer than grains are joined, the least likely common boundary first, until every boundary that is left is
/// more likely real than not ([`likely`]). `picture` gives the contrast between regions.
pub fn find_on(boundaries: &Grid<u8>, picture: &Grid<u8>, pores: &Labels, view: View) -> GrainMap {
    let (likely, labels) = likely(boundaries, picture, pores, view);
    let boundaries = as_probabilities(boundaries);
    let edges = edges(&labels, &boundaries, u8::MAX);
    let doubt = reliability::too_weak(&likely, picture).map(|why| too_weak_for(&why));
    let reliable = doubt.is_none();
    let faint = || reliability::faint(&likely).map(|why| may_be_missed(&why));
    GrainMap {
        mean_boundary_strength: mean_strength(&edges),
        labels,
        boundaries,
        edges,
        warnings: doubt.or_else(faint).into_iter().collect(),
        likely: Some(likely),
        reliable,
    }
}

/// Finds grains at the scale of the picture.
pub(super) fn find_at_scale(picture: &Grid<u8>, pores: &Labels, options: &GrainOptions) -> GrainMap {
    let found = boundaries(picture, pores, options);
    let (labels, edges) = merged(&found, picture, pores, options);
    let evidence = found.evidence;
    let mean_boundary_strength = mean_strength(&edges);
    let (reliable, warnings) = verdict(&evidence, options, mean_boundary_strength);
    GrainMap {
        warnings,
        reliable,
        labels,
        boundaries: found.strength,
        mean_boundary_strength,
        edges,
        likely: None,
    }
}

/// Whether boundaries carry a result, and what is doubtful about them.
pub(crate) fn verdict(
    evidence: &Evidence,
    options: &GrainOptions,
    mean_boundary_strength: f64,
) -> (bool, Vec<Warning>) {
    let doubt = too_weak(evidence, options, mean_boundary_strength);
    let warnings = doubt.iter().cloned().chain(faint(evidence, options.method).filter(|_| doubt.is_none()));
    (doubt.is_none(), warnings.collect())
}

/// Mean strength along all boundaries, 0 to 1; 0 where there is none.
pub(crate) fn mean_strength(edges: &[Edge]) -> f64 {
    let (sum, length) = edges.iter().fold((0, 0), |(s, l), e| (s + e.strength_sum, l + e.length_px));
    if length == 0 { 0.0 } else { sum as f64 / (length as f64 * 255.0) }
}

/// Grains and the boundaries between them.
fn merged(
    found: &Boundaries,
    picture: &Grid<u8>,
    pores: &Labels,
    options: &GrainOptions,
) -> (Labels, Vec<Edge>) {
    let rules = Rules::of(options.method);
    let shallowest = level(options.shallowest);
    let contrast = rules.contrast(&found.evidence);
    let basins = basins(&found.strength, pores, shallowest, Springs::Open);
    let seen = Seen::new(picture, pores, options.tone, found.mean);
    let sums = sums(&basins, &found.strength, shallowest, |rows| Cow::Owned(seen.rows(rows).into_vec()));
    let [capped, whole] = capped_edges(&basins, &found.strength, [level(rules.cap), u8::MAX]);
    let merging = Merging::new(sums, capped, |edge, a, b| contrast.strength(edge, a, b));
    let (grains, grain_of) = joined(basins, merging, options.merge_below, SMALLEST_PX);
    (grains, grouped_edges(whole, &grain_of))
}

/// Regions after their merging up to a strength of `least`, 0 to 1, and where each of the old ones went; those below
/// `smallest` px go to a neighbour, or nowhere if they have none.
pub(super) fn joined<W: Fn(&Edge, Sums, Sums) -> u64 + Sync>(
    regions: Labels,
    merging: Merging<W>,
    least: f64,
    smallest: u64,
) -> (Labels, Vec<u32>) {
    let roots = roots(regions.count, merging, least, smallest);
    Labels::from_groups(regions.grid, &roots)
}

/// The region that each of `count` regions belongs to after such a merging; 0 for those that belong nowhere.
pub(crate) fn roots<W: Fn(&Edge, Sums, Sums) -> u64 + Sync>(
    count: u32,
    mut merging: Merging<W>,
    least: f64,
    smallest: u64,
) -> Vec<u32> {
    merging.merge_below(least * 255.0);
    merging.absorb_below(smallest);
    let belongs = |label| {
        let root = merging.root(label);
        // What is still too small touches nothing: a speck that noise left between pores.
        if merging.area_px(root) < smallest { 0 } else { root }
    };
    (0..=count).map(belongs).collect()
}

/// A strength from 0 to 1 as a level of a boundary map.
pub(crate) fn level(strength: f64) -> u8 {
    (strength * 255.0).clamp(0.0, 255.0) as u8
}

/// Sums over every region; pixels of the boundary map up to `shallowest` lie away from boundaries. `greys` gives those of the
/// pixels of some rows.
pub(super) fn sums<'a>(
    labels: &Labels,
    strength: &Grid<u8>,
    shallowest: u8,
    greys: impl Fn(&Range<usize>) -> Cow<'a, [u8]> + Sync,
) -> Vec<Sums> {
    let none = || vec![Sums::default(); labels.count as usize + 1];
    let (width, height) = (labels.grid.width(), labels.grid.height());
    // Few large parts, for each has a table of all regions; whole numbers add up to the same in any order.
    let rows_of_part = height.div_ceil(SUM_PARTS);
    let parts: Vec<Vec<Sums>> = (0..SUM_PARTS)
        .into_par_iter()
        .map(|part| {
            let mut sums = none();
            let end = ((part + 1) * rows_of_part).min(height);
            for top in (part * rows_of_part..end).step_by(SUM_ROWS) {
                let rows = top..(top + SUM_ROWS).min(end);
                let pixels = rows.start * width..rows.end * width;
                let (labels, strengths) =
                    (&labels.grid.as_slice()[pixels.clone()], &strength.as_slice()[pixels]);
                add_sums(&mut sums, labels, (&greys(&rows), strengths), shallowest);
            }
            sums
        })
        .collect();
    let mut sums = none();
    for part in parts {
        sums.iter_mut().zip(part).for_each(|(sum, more)| sum.add(more));
    }
    sums
}

/// Adds pixels to the sums of their regions; there are at least as many greys and strengths as labels.
pub(crate) fn add_sums(
    sums: &mut [Sums],
    labels: &[u32],
    (greys, strengths): (&[u8], &[u8]),
    shallowest: u8,
) {
    each_run(labels, |run| {
        let sum = &mut sums[labels[run.start] as usize];
        let pixels = greys[run.clone()].iter().zip(&strengths[run]);
        pixels.for_each(|(&grey, &strength)| sum.add_pixel(grey, strength <= shallowest));
    });
}

/// The clearest lines must be this many times as strong as the clearest ones of the opposite tone. Noise of any level
/// and correlation gives 1; drawn etched pictures at low dose gave 1.6, clear ones 2.4 and more.
const LEAST_ASYMMETRY: f64 = 1.25;
const FAINT_ASYMMETRY: f64 = 2.0;
/// The clearest steps must be this many times the median step. A Gaussian picture of any correlation has steps after
/// Rayleigh, √(ln 0.01 / ln 0.5) = 2.6; drawn pictures with contrast between grains gave 5 to 12.
const LEAST_STEP_RATIO: f64 = 4.0;
/// Lines this much clearer than those of the opposite tone are boundaries that the gradient sees twice.
const MOST_LINES: f64 = 1.5;
const FAINT_STEP_RATIO: f64 = 7.0;
/// Even the weakest quarter of the steps may be this many times the noise, for grains are even inside. Drawn contrast
/// pictures gave 1.4, white noise 1.0, shaded relief 2.1 and more.
const MOST_UNEVEN: f64 = 1.8;
/// Kept boundaries must be this many times as strong as the ones that were dropped; in noise they just pass.
const LEAST_ABOVE_MERGING: f64 = 1.2;

fn too_weak(evidence: &Evidence, options: &GrainOptions, mean_strength: f64) -> Option<Warning> {
    let (lines, steps) = (evidence.line_asymmetry, step_ratio(evidence));
    let unevenness = evidence.response.p25 / evidence.opposite.median.max(1.0);
    let why = match options.method {
        BoundaryMethod::Ridge if lines < LEAST_ASYMMETRY => {
            format!(
                "the clearest lines are {lines:.2} times as strong as lines of the opposite tone; noise gives 1"
            )
        }
        BoundaryMethod::Gradient if lines > MOST_LINES => format!(
            "the boundaries are lines ({lines:.1} times as strong as lines of the opposite tone), whose two sides would \
             count as two boundaries"
        ),
        BoundaryMethod::Gradient if steps < LEAST_STEP_RATIO => {
            format!("the clearest steps in grey are {steps:.1} times the median step; noise gives 2.6")
        }
        BoundaryMethod::Gradient if unevenness > MOST_UNEVEN => format!(
            "grains are not even inside: the lower quartile of steps in grey is {unevenness:.1} times the noise, \
             and {MOST_UNEVEN} is the most that can be told from boundaries"
        ),
        _ if mean_strength < LEAST_ABOVE_MERGING * options.merge_below => format!(
            "the boundaries left after merging have a mean strength of {mean_strength:.2}, hardly above the {:.2} at \
             which boundaries are dropped",
            options.merge_below
        ),
        _ => return None,
    };
    Some(too_weak_for(&why))
}

/// Learned boundaries so few that a picture holds hardly a mean intercept: what is left of a surface that shows none.
pub(crate) fn too_few(mean_px: Option<f64>, side_px: usize) -> Warning {
    too_weak_for(&match mean_px {
        Some(mean) => format!("the mean intercept would be {mean:.0} px in a picture of {side_px} px"),
        None => "test lines pass none that is more likely real than not".to_owned(),
    })
}

fn too_weak_for(why: &str) -> Warning {
    let advice = "no grain size is given; etch the section longer, use a higher dose, or choose another boundary method";
    Warning::new(
        "grain-boundaries-too-weak",
        format!("grain boundaries cannot be told from noise: {why}; {advice}"),
    )
}

fn may_be_missed(why: &str) -> Warning {
    Warning::new(
        "grain-boundaries-faint",
        format!("{why}: many boundaries may be missed or false; look at the overlay"),
    )
}

fn faint(evidence: &Evidence, method: BoundaryMethod) -> Option<Warning> {
    let (ratio, clear, what) = match method {
        BoundaryMethod::Ridge => (evidence.line_asymmetry, FAINT_ASYMMETRY, "lines of the opposite tone"),
        BoundaryMethod::Gradient => (step_ratio(evidence), FAINT_STEP_RATIO, "the median step"),
        BoundaryMethod::Learned => return None,
    };
    (ratio < clear).then(|| {
        may_be_missed(&format!(
            "the clearest grain boundaries are {ratio:.1} times as strong as {what}, where {clear:.0} is clear"
        ))
    })
}

/// Clearest steps over the median step.
fn step_ratio(evidence: &Evidence) -> f64 {
    ratio(evidence.response.p99, evidence.response.median)
}

#[cfg(test)]
mod tests;
