//! What the program makes of one picture, against its truth.

use std::time::Instant;

use ceramograph::error::Error;
use ceramograph::grid::{Grid, Labels, Mask};
use ceramograph::measure::agreement::{boundary_f1, information_lost, pair_agreement};
use ceramograph::measure::intercept::{Intercepts, expected_intercepts, intercepts as counted_intercepts};
use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use ceramograph::pipeline::{self, Measured};
use ceramograph::segment::grains::GrainMap;
use ceramograph::segment::learned::grains::{Likely, View};
use ceramograph::study::result::SegmentationDoubt;
use ceramograph::units::Spacing;

use crate::Methods;
use crate::truth::TruePicture;

/// Every score of one picture.
pub struct Score {
    /// Name of its folder.
    pub set: String,
    /// File name without ending.
    pub name: String,
    /// How the surface looks.
    pub look: String,
    /// `easy`, `hard` or `-`.
    pub part: &'static str,
    /// True area fraction of pores or of the dark phase, in percent.
    pub porosity_percent: Option<f64>,
    /// The same without the finest particles.
    pub coarse_only_percent: Option<f64>,
    /// Whether grains can be seen; `None` where the truth does not say.
    pub shows_grains: Option<bool>,
    /// True mean intercept.
    pub mean_intercept_px: Option<f64>,
    /// One for each pore rule; empty without a true porosity.
    pub pores: Vec<PoreScore>,
    /// One for each boundary map; empty where the truth says nothing of grains.
    pub grains: Vec<GrainRun>,
}

/// What one pore rule makes of a picture.
pub struct PoreScore {
    /// Found area fraction, in percent; null where the program declines.
    pub found_percent: Option<f64>,
    /// Overlap of found and true pores, 2·both/(found + true), from 0 to 1; `None` if there are none in either.
    pub overlap: Option<f64>,
    /// The rule that was used in the end.
    pub used: String,
    /// Codes of the warnings.
    pub warnings: Vec<String>,
    /// Time in s.
    pub time_s: f64,
}

/// What one boundary map makes of a picture.
pub struct GrainRun {
    /// Scores; `None` where the program declines to find grains, or none can be seen.
    pub score: Option<GrainScore>,
    /// Whether the program gave a mean intercept.
    pub given: bool,
    /// Codes of the warnings.
    pub warnings: Vec<String>,
    /// Time of the whole measurement in s.
    pub time_s: f64,
}

/// How well the found grains agree with the true ones.
pub struct GrainScore {
    /// Found mean intercept.
    pub mean_intercept_px: f64,
    /// Its error in percent.
    pub error_percent: f64,
    /// Stated interval of the mean intercept from segmentation.
    pub interval_px: Option<(f64, f64)>,
    /// Mean of 1 - p over the expected passages, p the probability of the boundary passed.
    pub ambiguity: Option<f64>,
    /// Natural logarithm of the expected passages over those at the cut at one half.
    pub excess: Option<f64>,
    /// How the network saw the picture.
    pub view: Option<View>,
    /// Whether that covers the truth.
    pub covered: Option<bool>,
    /// Adapted Rand error, pores of the truth left out.
    pub pair_error: f64,
    /// Variation of information, in bits: false splits.
    pub split_bits: f64,
    /// Variation of information, in bits: false merges.
    pub merge_bits: f64,
    /// Boundary F1 at 2 px.
    pub boundary_f1: f64,
}

/// Measures a picture by every method.
pub fn score(picture: &TruePicture, methods: &Methods) -> Result<Score, Error> {
    let pore_rules = if picture.porosity_percent.is_some() { &methods.pores[..] } else { &[] };
    let maps = if picture.shows_grains.is_some() { &methods.boundaries[..] } else { &[] };
    Ok(Score {
        set: picture.set.clone(),
        name: picture.name.clone(),
        look: picture.look.clone(),
        part: picture.part,
        porosity_percent: picture.porosity_percent,
        coarse_only_percent: picture.coarse_only_percent,
        shows_grains: picture.shows_grains,
        mean_intercept_px: picture.mean_intercept_px,
        pores: pore_rules.iter().map(|&rule| pore_score(picture, rule)).collect::<Result<_, _>>()?,
        grains: maps
            .iter()
            .map(|&map| grain_run(picture, map, methods.pores[0]))
            .collect::<Result<_, _>>()?,
    })
}

/// Options for the part of the picture that the truth covers.
pub fn options(picture: &TruePicture, pores: PoreMethod, boundaries: BoundaryMethod) -> Options {
    let crop = format!("0,0,{},{}", picture.frame.width, picture.frame.height);
    Options { pores, boundaries, crop: Some(crop), ..Options::default() }
}

fn pore_score(picture: &TruePicture, rule: PoreMethod) -> Result<PoreScore, Error> {
    // Grains do not change the pores, so the cheapest map will do.
    let options = options(picture, rule, BoundaryMethod::Gradient);
    let start = Instant::now();
    let measured = pipeline::measure(&picture.micrograph, &options)?;
    Ok(PoreScore {
        found_percent: measured.pore_map.numbers.porosity_percent,
        overlap: picture.pores.as_ref().and_then(|truth| overlap(truth, &measured.pore_map.labels.grid)),
        used: measured.pore_map.numbers.threshold.method.clone(),
        warnings: measured.pore_map.numbers.warnings.iter().map(|doubt| doubt.code.to_string()).collect(),
        time_s: start.elapsed().as_secs_f64(),
    })
}

/// Dice's coefficient: a share may be right by chance, as one half is for any level in the middle; an overlap is not.
fn overlap(truth: &Mask, found: &Grid<u32>) -> Option<f64> {
    let pairs = || truth.as_slice().iter().zip(found.as_slice());
    let both = pairs().filter(|&(&pore, &label)| pore && label > 0).count();
    let sum = pairs().map(|(&pore, &label)| usize::from(pore) + usize::from(label > 0)).sum::<usize>();
    (sum > 0).then(|| 2.0 * both as f64 / sum as f64)
}

fn grain_run(picture: &TruePicture, map: BoundaryMethod, pores: PoreMethod) -> Result<GrainRun, Error> {
    let start = Instant::now();
    let measured = pipeline::measure(&picture.micrograph, &options(picture, pores, map))?;
    Ok(GrainRun {
        time_s: start.elapsed().as_secs_f64(),
        score: grain_score(picture, &measured)?,
        given: measured.intercepts.is_some(),
        warnings: measured.warnings.iter().map(|doubt| doubt.code.to_string()).collect(),
    })
}

/// The interval that the program states for the mean intercept because of its segmentation, in px of this length.
fn stated_interval_px(doubt: &SegmentationDoubt, px: f64) -> (f64, f64) {
    (doubt.ci95_low.value() / px, doubt.ci95_high.value() / px)
}

fn grain_score(picture: &TruePicture, measured: &Measured) -> Result<Option<GrainScore>, Error> {
    let truth = picture.grains.as_ref().zip(picture.mean_intercept_px);
    let found = measured.grain_map.as_ref().zip(measured.intercepts.clone());
    let (Some((labels, true_px)), Some((map, intercepts))) = (truth, found) else { return Ok(None) };
    let (truth, grains) = (&labels.grid, &map.labels.grid);
    let counted = if picture.is_partly_labelled {
        counted_where_labelled(truth, map, measured.spacing)
    } else {
        Some(intercepts)
    };
    let Some(intercepts) = counted else { return Ok(None) };
    let (Some(pairs), Some(lost), Some(f1)) =
        (pair_agreement(truth, grains)?, information_lost(truth, grains)?, boundary_f1(truth, grains, 2)?)
    else {
        return Ok(None);
    };
    let px = measured.spacing.pixel_area().sqrt();
    let mean_intercept_px = intercepts.mean / px;
    let doubt = intercepts.results.segmentation.as_ref();
    let interval_px = doubt.map(|doubt| stated_interval_px(doubt, px));
    Ok(Some(GrainScore {
        mean_intercept_px,
        error_percent: 100.0 * (mean_intercept_px / true_px - 1.0),
        interval_px,
        ambiguity: doubt.map(|doubt| doubt.ambiguity),
        excess: doubt.map(|doubt| (doubt.expected_count / intercepts.count as f64).ln()),
        view: map.likely.as_ref().map(|likely| likely.view),
        covered: interval_px.map(|(low, high)| (low..=high).contains(&true_px)),
        pair_error: pairs.error,
        split_bits: lost.by_splits,
        merge_bits: lost.by_merges,
        boundary_f1: f1,
    }))
}

/// The intercepts of found grains on lines from which everything is taken out that carries no label in `truth`, as the true
/// ones are counted.
fn counted_where_labelled(truth: &Grid<u32>, map: &GrainMap, spacing: Spacing) -> Option<Intercepts> {
    let labelled = |found: &Labels| Labels {
        grid: Grid::from_fn(truth.width(), truth.height(), |x, y| {
            if truth.at(x, y) == 0 { 0 } else { found.grid.at(x, y) }
        }),
        count: found.count,
    };
    let (labels, options) = (labelled(&map.labels), Options::default().line_options());
    match &map.likely {
        Some(likely) => {
            let regions = labelled(&likely.regions);
            let likely = Likely {
                regions,
                grain_of: likely.grain_of.clone(),
                edges: likely.edges.clone(),
                view: likely.view,
            };
            expected_intercepts(&labels, &likely, spacing, &options)
        }
        None => counted_intercepts(&labels, spacing, &options),
    }
}

impl Score {
    /// Error of a found porosity in percentage points.
    pub fn porosity_error(&self, rule: usize) -> Option<f64> {
        Some(self.pores.get(rule)?.found_percent? - self.porosity_percent?)
    }
}

impl GrainRun {
    /// Whether the reader is told that the grain size cannot be relied on: no size, or a doubt about the boundaries.
    ///
    /// Only doubts whose code begins with `grain` count, for they alone speak of boundaries: a missing scale, the light
    /// or the pores say nothing about them, and counting those would make every picture a warned one.
    pub fn doubted(&self) -> bool {
        !self.given || self.warnings.iter().any(|code| code.starts_with("grain"))
    }
}
