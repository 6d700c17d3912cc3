//! Pores of a picture in a scratch file, band by band.

use std::ops::Range;
use std::path::Path;

use super::joining::{Joined, Joining, Signs};
use super::scratch::{Scratch, StoredLabels, around, bands, inner};
use super::stored_grey::StoredGrey;
use crate::error::Error;
use crate::grid::{Grid, Mask};
use crate::options::{PoreMethod, PoreOptions, Tone};
use crate::segment::background::{self, Surface, Tiles};
use crate::segment::denoise::median3;
use crate::segment::grey_levels::{GreyLevels, histogram};
use crate::segment::pore_cut::{
    Cut, FEWEST_LEVELS, Level, check_typed, no_contrast, occurring_range, settled_level,
};
use crate::segment::pores::{Class, Evidence, PoreNumbers, Separation, classes_of, to_be_removed};
use crate::segment::threshold::half_contrast;
use crate::segment::threshold::modes::Modes;
use crate::segment::threshold::sauvola;
use crate::segment::threshold::steepest_edge::{EdgeSums, Edges, raised_to};
use crate::study::result::ThresholdSensitivity;
use crate::warning::Warning;

/// Rows that a median looks at on either side.
const MEDIAN_REACH: usize = 1;
/// Rows that half contrast looks at on either side: half its window, and beyond that the steepest edges within 2 px and
/// their gradient.
const EDGE_REACH: usize = half_contrast::WINDOW_PX / 2 + 3;

/// Pores of a stored picture.
pub(super) struct BandedPores {
    pub numbers: PoreNumbers,
    /// The evened and denoised picture on 256 levels, in its own tone.
    pub picture: Scratch<u8>,
    pub labels: StoredLabels,
    /// Last row of each label, from 0 on.
    pub last_rows: Vec<u32>,
}

/// Where pores are looked for, and how.
pub(super) struct Search<'a> {
    pub grey: &'a StoredGrey,
    pub options: &'a PoreOptions,
    pub folder: &'a Path,
    /// Rows of a band.
    pub rows: usize,
}

/// The same as [`found`](crate::segment::pores), for the rules that ask nothing but the histogram.
pub(super) fn find(search: &Search<'_>) -> Result<BandedPores, Error> {
    let levels = search.grey.levels(search.options.tone)?;
    let Denoised { picture, light, mut histogram } = search.denoised(&levels)?;
    let uneven = to_be_removed(light.as_ref(), search.options);
    if let Some(light) = uneven {
        histogram = search.evened(&picture, light)?;
    }
    let (cut, doubt) = search.cut(&levels, &picture, &histogram)?;
    let found =
        cut.map(|cut| search.separated(&Separator { search, levels: &levels, picture: &picture, cut }));
    let (joined, parts, separation) = match found.transpose()? {
        Some((joined, parts, separation)) => (Some(joined), Some(parts), Some(separation)),
        None => (None, None, None),
    };
    let numbers = PoreNumbers::of(&Evidence {
        levels: &levels,
        histogram: &histogram,
        light: light.as_ref(),
        is_evened: uneven.is_some(),
        separation,
        learned: None,
        rule: search.options.method,
        reason: None,
        doubt,
        smallest_px: search.options.smallest_px,
    });
    search.turn_to_own_tone(&levels, &picture)?;
    let size = (search.grey.width(), search.grey.height());
    let (labels, last_rows) = match joined {
        Some(Joined { table, count, last_rows, .. }) => {
            (StoredLabels { parts, table, count, size }, last_rows)
        }
        None => (StoredLabels::none(size), vec![0]),
    };
    Ok(BandedPores { numbers, picture, labels, last_rows })
}

/// A working picture after its median.
struct Denoised {
    picture: Scratch<u8>,
    light: Option<Surface>,
    histogram: Vec<u64>,
}

impl Search<'_> {
    fn bands(&self) -> impl Iterator<Item = Range<usize>> {
        bands(self.grey.height(), self.rows)
    }

    /// The working picture after its median, its light, and its histogram.
    fn denoised(&self, levels: &GreyLevels) -> Result<Denoised, Error> {
        let (width, height) = (self.grey.width(), self.grey.height());
        let picture = Scratch::create(self.folder, width, height)?;
        let mut tiles = Tiles::new(width, height);
        let mut counts = vec![0; 256];
        for rows in self.bands() {
            let outer = around(&rows, MEDIAN_REACH, height);
            let window = median3(&levels.working(&self.grey.read(outer.clone())?));
            let own = inner(&window, outer.start, &rows);
            tiles.add_rows(rows.start, &own);
            add(&mut counts, &histogram(&own));
            picture.write(rows.start, own.as_slice())?;
        }
        Ok(Denoised { picture, light: tiles.fit(), histogram: counts })
    }

    /// Takes uneven light out of the picture; gives back its new histogram.
    fn evened(&self, picture: &Scratch<u8>, light: &Surface) -> Result<Vec<u64>, Error> {
        let mut counts = vec![0; 256];
        for rows in self.bands() {
            let mut own = picture.read(rows.clone())?;
            background::remove_from_rows(&mut own, (rows.start, picture.height()), light);
            add(&mut counts, &histogram(&own));
            picture.write(rows.start, own.as_slice())?;
        }
        Ok(counts)
    }

    fn turn_to_own_tone(&self, levels: &GreyLevels, picture: &Scratch<u8>) -> Result<(), Error> {
        if self.options.tone == Tone::Dark {
            return Ok(());
        }
        self.bands().try_for_each(|rows| {
            let own = levels.own(picture.read(rows.clone())?);
            picture.write(rows.start, own.as_slice())
        })
    }

    /// What separates pores from solid, if anything, and what is doubtful about it.
    fn cut(
        &self,
        levels: &GreyLevels,
        picture: &Scratch<u8>,
        histogram: &[u64],
    ) -> Result<(Option<BandedCut>, Option<Warning>), Error> {
        if let PoreMethod::Fixed(level) = self.options.method {
            check_typed(level, levels, self.grey.bits())?;
            return Ok((Some(BandedCut::Typed(level)), None));
        }
        let range = occurring_range(histogram);
        if range < FEWEST_LEVELS {
            return Ok((None, Some(no_contrast(range))));
        }
        let (level, doubt) = settled_level(self.options.method, histogram)
            .expect("invariant: rules that look at the picture are refused before");
        let cut = match level {
            None => None,
            Some(Level::At(level)) => Some(BandedCut::At(level)),
            Some(Level::HalfContrast(modes)) => {
                Some(BandedCut::HalfContrast(modes, self.edges(picture, modes)?))
            }
            Some(Level::Surroundings) => Some(BandedCut::Surroundings {
                reach: sauvola::window_of(picture.width(), picture.height()) / 2,
                darkest: histogram.iter().position(|&count| count > 0).unwrap_or(0) as u8,
            }),
        };
        Ok((cut, doubt))
    }

    /// The edges of all pores.
    fn edges(&self, picture: &Scratch<u8>, modes: Modes) -> Result<Option<Edges>, Error> {
        let mut sums = EdgeSums::default();
        for rows in self.bands() {
            let outer = around(&rows, EDGE_REACH, picture.height());
            let window = picture.read(outer.clone())?;
            let cuts = half_contrast::cuts(&window, modes);
            let own = rows.start - outer.start..rows.end - outer.start;
            sums.add(EdgeSums::of(&cuts, &window, modes.pore as u8, own));
        }
        Ok(sums.edges())
    }

    /// Labels pores, and moves the threshold to see how porosity follows.
    fn separated(&self, separator: &Separator<'_>) -> Result<(Joined, Scratch<u32>, Separation), Error> {
        let (width, height) = (self.grey.width(), self.grey.height());
        let parts = Scratch::create(self.folder, width, height)?;
        let mut joining = Joining::new(self.options.connectivity);
        let (mut pores, mut solid) = (Class::default(), Class::default());
        for rows in self.bands() {
            let band = separator.band(&rows)?;
            let mask = band.mask(0.0);
            let (dark, bright) = classes_of(band.own.as_slice(), mask.as_slice());
            pores = Class { count: pores.count + dark.count, sum: pores.sum + dark.sum };
            solid = Class { count: solid.count + bright.count, sum: solid.sum + bright.sum };
            parts.write(rows.start, joining.add(&mask, band.signs())?.as_slice())?;
        }
        let joined = joining.finish(self.options.smallest_px);
        let dropped_px = joined.dropped_px;
        let counted_px = pores.count - dropped_px;
        let level = separator.level();
        let mut separation = Separation { counted_px, dropped_px, pores, solid, level, sensitivity: None };
        separation.sensitivity =
            separation.contrast().map(|contrast| separator.sensitivity(contrast)).transpose()?;
        Ok((joined, parts, separation))
    }
}

fn add(counts: &mut [u64], more: &[u64]) {
    counts.iter_mut().zip(more).for_each(|(sum, count)| *sum += count);
}

/// A cut, for any part of the picture.
enum BandedCut {
    At(f64),
    HalfContrast(Modes, Option<Edges>),
    Surroundings { reach: usize, darkest: u8 },
    Typed(u16),
}

/// A cut with what it is made on.
struct Separator<'a> {
    search: &'a Search<'a>,
    levels: &'a GreyLevels,
    picture: &'a Scratch<u8>,
    cut: BandedCut,
}

/// A band with what its mask follows from.
struct Band<'a> {
    levels: &'a GreyLevels,
    /// The band and what its cut looked at on either side.
    window: Grid<u8>,
    top: usize,
    rows: Range<usize>,
    /// The band alone.
    own: Grid<u8>,
    cut: BandCut,
}

enum BandCut {
    Plain(Cut<'static>),
    Typed(crate::micrograph::Grey, u16),
}

impl Separator<'_> {
    fn reach(&self) -> usize {
        match &self.cut {
            BandedCut::At(_) => 0,
            BandedCut::HalfContrast(..) => EDGE_REACH,
            BandedCut::Surroundings { reach, .. } => *reach,
            BandedCut::Typed(_) => MEDIAN_REACH,
        }
    }

    fn band(&self, rows: &Range<usize>) -> Result<Band<'_>, Error> {
        let outer = around(rows, self.reach(), self.picture.height());
        let window = self.picture.read(outer.clone())?;
        let cut = match &self.cut {
            BandedCut::At(level) => BandCut::Plain(Cut::At(*level)),
            BandedCut::HalfContrast(modes, edges) => {
                let half = half_contrast::cuts(&window, *modes);
                let cuts = raised_to(edges.as_ref(), &half, &window, modes.pore as u8);
                BandCut::Plain(Cut::Below(cuts, modes.valley as u8))
            }
            BandedCut::Surroundings { reach, darkest } => {
                BandCut::Plain(Cut::Below(sauvola::cuts_within(&window, *reach, *darkest), u8::MAX))
            }
            BandedCut::Typed(level) => BandCut::Typed(self.search.grey.read(outer.clone())?, *level),
        };
        let own = inner(&window, outer.start, rows);
        Ok(Band { levels: self.levels, window, top: outer.start, rows: rows.clone(), own, cut })
    }

    /// The level for all pixels in greys of the file, where there is one.
    fn level(&self) -> Option<f64> {
        match self.cut {
            BandedCut::At(level) => Some(self.levels.own_threshold(level)),
            BandedCut::HalfContrast(..) | BandedCut::Surroundings { .. } => None,
            BandedCut::Typed(level) => Some(f64::from(level)),
        }
    }

    fn sensitivity(&self, contrast: f64) -> Result<ThresholdSensitivity, Error> {
        let shift = Cut::At(0.0).shift(contrast);
        let connectivity = self.search.options.connectivity;
        let mut joinings = [Joining::new(connectivity), Joining::new(connectivity)];
        for rows in self.search.bands() {
            let band = self.band(&rows)?;
            for (joining, shift) in joinings.iter_mut().zip([-shift, shift]) {
                joining.add(&band.mask(shift), band.signs())?;
            }
        }
        let pixels = (self.picture.width() * self.picture.height()) as f64;
        let [low, high] = joinings
            .map(|joining| 100.0 * joining.finish(self.search.options.smallest_px).kept_px as f64 / pixels);
        Ok(ThresholdSensitivity {
            shift_grey_levels: Some(shift * self.levels.step()),
            porosity_low_percent: low,
            porosity_high_percent: high,
        })
    }
}

impl Band<'_> {
    /// Pores of the band with the level moved by `shift` working levels towards the solid.
    fn mask(&self, shift: f64) -> Mask {
        let mask = match &self.cut {
            BandCut::Plain(cut) => cut.mask(&self.window, self.levels, shift),
            BandCut::Typed(grey, level) => Cut::Typed(grey, *level).mask(&self.window, self.levels, shift),
        };
        inner(&mask, self.top, &self.rows)
    }

    fn signs(&self) -> Signs<'_> {
        let dark = match &self.cut {
            BandCut::Plain(Cut::Below(_, darkest)) => Some((&self.own, *darkest)),
            _ => None,
        };
        Signs { dark, without: None }
    }
}
