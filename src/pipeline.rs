//! One picture from grey levels to numbers: the order of the stages, and nothing else.

use std::borrow::Cow;

use crate::error::Error;
use crate::grid::Frame;
use crate::measure::grain::grains;
use crate::measure::intercept::{Intercepts, expected_intercepts, intercepts};
use crate::measure::pore::pores;
use crate::measure::region::regions;
use crate::micrograph::overlap::{Fingerprint, fingerprint};
use crate::micrograph::{Grey, InfoStrip, Micrograph, check, info_strip};
use crate::options::{BoundaryMethod, Options, PoreMethod};
use crate::scale::{BarReading, Scale, ScaleOptions, determine};
use crate::segment::grains::{self, GrainMap};
use crate::segment::learned;
use crate::segment::pores::{self, PoreMap};
use crate::statistics::covariance::{AreaFractionError, area_fraction_error};
use crate::study::result::{Finding, Grain, Pore};
use crate::timing::{Stage, Timings};
use crate::units::Spacing;
use crate::warning::Warning;

/// Fewer columns or rows hold no test line worth the name.
const LEAST_SIDE_PX: usize = 16;

/// Along its longer side a picture holds at least so many mean intercepts of learned grains: with fewer passages a test line
/// holds no whole grain on average, and a scratch or two pass for boundaries.
const LEAST_INTERCEPTS: f64 = 2.0;

/// Everything that one picture yields, maps included.
#[derive(Clone, Debug)]
pub struct Measured {
    /// The part of the picture that was measured.
    pub frame: Frame,
    /// The strip of text that was left out.
    pub strip: Option<InfoStrip>,
    /// Scale, if there is one.
    pub scale: Option<Scale>,
    /// The scale bar that was seen, doubtful as it may be.
    pub bar: Option<BarReading>,
    /// Spacing of the pixels: of the scale, or 1 px.
    pub spacing: Spacing,
    /// What was found out about the fitness of the picture.
    pub findings: Vec<Finding>,
    /// For finding other pictures of the same place.
    pub fingerprint: Fingerprint,
    /// Pore map, in coordinates of the frame.
    pub pore_map: PoreMap,
    /// Pores in the order of their labels.
    pub pores: Vec<Pore>,
    /// Error of the area fraction from its covariance.
    pub area_fraction_error: Option<AreaFractionError>,
    /// Grain map, in coordinates of the frame; `None` where boundaries cannot carry a result.
    pub grain_map: Option<GrainMap>,
    /// Grains in the order of their labels.
    pub grains: Vec<Grain>,
    /// Test lines.
    pub intercepts: Option<Intercepts>,
    /// Doubts.
    pub warnings: Vec<Warning>,
}

/// Measures one picture, with the scale that the options give.
///
/// # Errors
/// [`Error::Option`] if a typed crop does not lie in the picture; [`Error::TooSmall`] if too little is left of it.
pub fn measure(micrograph: &Micrograph, options: &Options) -> Result<Measured, Error> {
    measure_at_scale(micrograph, options, &options.scale()?, &Timings::default())
}

/// Measures one picture, with what is said about the scale of this very one instead of what the options say, and adds the
/// time of every stage to `timings`.
///
/// # Errors
/// As [`measure`].
pub fn measure_at_scale(
    micrograph: &Micrograph,
    options: &Options,
    said: &ScaleOptions,
    timings: &Timings,
) -> Result<Measured, Error> {
    // On a worker from end to end: a caller's own thread would be one more than there are processors, and each time it hands
    // over, two workers share one of them until the system moves one away.
    rayon::scope(|_| measured_at_scale(micrograph, options, said, timings))
}

fn measured_at_scale(
    micrograph: &Micrograph,
    options: &Options,
    said: &ScaleOptions,
    timings: &Timings,
) -> Result<Measured, Error> {
    let whole = micrograph.grey.width() * micrograph.grey.height();
    let (frame, strip) = timings.time(Stage::Strip, whole, || frame(&micrograph.grey, options))?;
    let pixels = frame.width * frame.height;
    let grey = cropped(&micrograph.grey, frame);
    let seen = Seen::by(&grey, options, timings)?;
    // The pores need no scale, and each of these has moments that leave a thread nothing to do. Grains are found after them, for
    // they take most memory.
    let (pore_map, (read, (mut findings, fingerprint))) = rayon::join(
        || seen.pores(&grey, options, timings),
        || {
            let check = || rayon::join(|| check::check(&grey), || fingerprint(&grey));
            rayon::join(
                || timings.time(Stage::Scale, whole, || determine(micrograph, strip, said)),
                || timings.time(Stage::Check, pixels, check),
            )
        },
    );
    let (read, mut pore_map) = (read?, pore_map?);
    let spacing = read.scale.as_ref().map_or(Spacing::PIXELS, Scale::spacing);
    let mut grain_map = seen.grains(&pore_map, options, timings)?;
    drop(grey);
    let lines_over =
        |map: &GrainMap| timings.time(Stage::Intercepts, pixels, || intercepts_of(map, spacing, options));
    let mean_px = |found: &Intercepts| found.mean / spacing.pixel_area().sqrt();
    // Of learned grains the lines tell whether there are any; over others they are laid beside the other measures.
    let is_asked = grain_map.reliable && grain_map.likely.is_some();
    let first_lines = is_asked.then(|| lines_over(&grain_map)).flatten();
    if is_asked {
        let (mean, longest_px) = (first_lines.as_ref().map(mean_px), frame.width.max(frame.height));
        if mean.is_none_or(|mean| LEAST_INTERCEPTS * mean > longest_px as f64) {
            grain_map.doubt(grains::too_few(mean, longest_px));
        }
        pore_map.doubt_with(&grain_map.warnings);
    }
    let warnings =
        [&micrograph.warnings[..], &read.warnings, &pore_map.numbers.warnings, &grain_map.warnings].concat();
    let grain_map = grain_map.reliable.then_some(grain_map);
    let of_pores = || {
        let regions = regions(&pore_map.labels, spacing);
        pores(&pore_map.labels, regions, grain_map.as_ref().map(|g| &g.labels), &pore_map.picture)
    };
    let of_grains =
        |map| timings.time(Stage::GrainMeasures, pixels, || grains(map, regions(&map.labels, spacing)));
    let of_area = || area_fraction_error(&pore_map.labels.grid);
    let of_lines = || grain_map.as_ref().and_then(|map| first_lines.or_else(|| lines_over(map)));
    // As the pores and the scale: each has moments of a single thread, and they do not need each other.
    let ((pores, intercepts), (grains, area_fraction_error)) = rayon::join(
        || rayon::join(|| timings.time(Stage::PoreMeasures, pixels, of_pores), of_lines),
        || {
            rayon::join(
                || grain_map.as_ref().map_or(Vec::new(), of_grains),
                || timings.time(Stage::AreaFractionError, pixels, of_area),
            )
        },
    );
    findings.extend(check::after_grains(
        intercepts.as_ref().map(mean_px),
        grain_map.as_ref().map(|_| grains.len() as u64),
    ));
    Ok(Measured {
        frame,
        strip,
        spacing,
        findings,
        fingerprint,
        area_fraction_error,
        scale: read.scale,
        bar: read.bar,
        pore_map,
        pores,
        grain_map,
        grains,
        intercepts,
        warnings,
    })
}

fn intercepts_of(map: &GrainMap, spacing: Spacing, options: &Options) -> Option<Intercepts> {
    match &map.likely {
        Some(likely) => expected_intercepts(&map.labels, likely, spacing, &options.line_options()),
        None => intercepts(&map.labels, spacing, &options.line_options()),
    }
}

/// What pores and grains are found on: the picture, and what the network says to it if it is asked for either.
struct Seen<'a> {
    /// The picture with dark pores, for the network.
    grey: Cow<'a, Grey>,
    maps: Option<learned::Maps>,
}

impl<'a> Seen<'a> {
    /// Asks the network once for both.
    fn by(grey: &'a Grey, options: &Options, timings: &Timings) -> Result<Self, Error> {
        let pixels = grey.width() * grey.height();
        let grey = learned::with_dark_pores(grey, options.pore_tone);
        let is_asked = asks_for_pores(options) || options.boundaries == BoundaryMethod::Learned;
        let maps = is_asked
            .then(|| timings.time(Stage::Network, pixels, || learned::maps(&grey, 1.0)))
            .transpose()?;
        Ok(Self { grey, maps })
    }

    /// `grey` is the picture itself, in whatever tone its pores are.
    fn pores(&self, grey: &Grey, options: &Options, timings: &Timings) -> Result<PoreMap, Error> {
        let map = self.maps.as_ref().filter(|_| asks_for_pores(options));
        timings.time(Stage::Pores, grey.width() * grey.height(), || match map {
            Some(maps) => pores::find_on(grey, &maps.pore, &options.pore_options()),
            None => pores::find(grey, &options.pore_options()),
        })
    }

    fn grains(self, pores: &PoreMap, options: &Options, timings: &Timings) -> Result<GrainMap, Error> {
        let Self { grey, maps } = self;
        timings.time(Stage::Grains, grey.width() * grey.height(), || {
            match maps.filter(|_| options.boundaries == BoundaryMethod::Learned) {
                Some(maps) => learned::suited_scale::grains_on(maps, &grey, &pores.picture, &pores.labels),
                None => {
                    drop(grey);
                    Ok(grains::find(&pores.picture, &pores.labels, &options.grain_options()))
                }
            }
        })
    }
}

fn asks_for_pores(options: &Options) -> bool {
    matches!(options.pores, PoreMethod::Learned | PoreMethod::Auto)
}

/// The typed frame, or the picture without its info strip.
fn frame(grey: &Grey, options: &Options) -> Result<(Frame, Option<InfoStrip>), Error> {
    let whole = Frame { x: 0, y: 0, width: grey.width(), height: grey.height() };
    measured_frame(whole, info_strip::find(grey), options)
}

/// The typed frame within a `whole` picture, or what its info strip leaves.
pub(crate) fn measured_frame(
    whole: Frame,
    strip: Option<InfoStrip>,
    options: &Options,
) -> Result<(Frame, Option<InfoStrip>), Error> {
    let (frame, strip) = framed(whole, strip, options)?;
    if frame.width.min(frame.height) < LEAST_SIDE_PX {
        return Err(Error::TooSmall { width: frame.width, height: frame.height, least: LEAST_SIDE_PX });
    }
    Ok((frame, strip))
}

fn framed(
    whole: Frame,
    strip: Option<InfoStrip>,
    options: &Options,
) -> Result<(Frame, Option<InfoStrip>), Error> {
    let Some(crop) = options.crop()? else {
        return Ok((strip.map_or(whole, |s| beside(whole, s)), strip));
    };
    let fits = |from: usize, size: usize, all: usize| from.checked_add(size).is_some_and(|end| end <= all);
    if fits(crop.x, crop.width, whole.width) && fits(crop.y, crop.height, whole.height) {
        return Ok((crop, strip));
    }
    Err(Error::Option {
        name: "--crop",
        why: format!(
            "{},{},{},{} reaches beyond the picture, which has {} x {} px",
            crop.x, crop.y, crop.width, crop.height, whole.width, whole.height
        ),
    })
}

/// The rows of `whole` that a strip at its upper or lower rim leaves.
fn beside(whole: Frame, strip: InfoStrip) -> Frame {
    let height = whole.height - strip.rows_px;
    let y = if strip.first_row_px == 0 { strip.rows_px } else { 0 };
    Frame { y, height, ..whole }
}

/// The part of a picture that lies in `frame`; a copy only where that is not the whole.
pub(crate) fn cropped(grey: &Grey, frame: Frame) -> Cow<'_, Grey> {
    if (frame.width, frame.height) == (grey.width(), grey.height()) {
        return Cow::Borrowed(grey);
    }
    Cow::Owned(match grey {
        Grey::Eight(g) => Grey::Eight(g.cropped(frame)),
        Grey::Sixteen(g) => Grey::Sixteen(g.cropped(frame)),
    })
}
