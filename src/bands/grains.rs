//! Grains of a picture in a scratch file, band by band: boundary map, basins, and their merging.

use std::ops::Range;
use std::path::Path;

use rayon::prelude::*;

use super::budget::Budget;
use super::joining::{Joining, Signs};
use super::scratch::{Scratch, StoredLabels, around, bands, inner, relabel};
use crate::error::Error;
use crate::grid::{Grid, Labels};
use crate::options::{Connectivity, GrainOptions};
use crate::segment::basin_graph::{Merging, Sums};
use crate::segment::basins::{DEEPEST_PX, HALO, PORE, flood_rows, relief};
use crate::segment::bottoms::low_and_draining;
use crate::segment::boundary::fill::{self, Filled, Open, covered, with_dark_lines, without_covered};
use crate::segment::boundary::lines::{self, Counts, sampled_bands, write_map};
use crate::segment::boundary::{Evidence, evidence, kinds};
use crate::segment::edges::{Edge, edges_of_rows, sum_equal};
use crate::segment::grains::{Rules, SMALLEST_PX, add_sums, level, mean_strength, roots, verdict};
use crate::segment::working_scale::{factor_by_middle, middle};
use crate::warning::Warning;

/// Rows of the filled picture beyond those whose lines are looked for: theirs, and one for the means before them.
const LINE_REACH: usize = lines::REACH + 1;
/// Rows of the boundary map beyond those whose relief is taken.
const RELIEF_REACH: usize = DEEPEST_PX as usize;
/// Rows of the relief beyond those whose bottoms are found.
const BOTTOM_REACH: usize = 2;
/// Rows that one task compares with their neighbours.
const EDGE_ROWS: usize = 64;
/// Pieces of boundaries that may wait before equal ones are summed up.
const WAITING_PIECES: usize = 1 << 20;
/// Bytes that merging takes for each basin and each boundary, when bands no longer are in memory: sums, lists of boundaries,
/// the table of pairs and the queue.
const BYTES_PER_MERGED: u64 = 120;
const BYTES_PER_MERGED_EDGE: u64 = 80;
/// Bytes that each takes while both are gathered band by band.
const BYTES_PER_REGION: u64 = 48;
const BYTES_PER_EDGE: u64 = 36;
/// Boundaries in a plane are at most three times as many as the regions (Euler's formula for planar graphs).
const MOST_EDGES_PER_REGION: u64 = 3;

/// Grains of a stored picture.
pub(super) struct BandedGrains {
    pub labels: StoredLabels,
    /// Last row of each label, from 0 on.
    pub last_rows: Vec<u32>,
    /// Pixels of each label, from 0 on.
    pub areas: Vec<u64>,
    /// Boundaries between grains, ordered by the labels on both sides.
    pub edges: Vec<Edge>,
    pub mean_boundary_strength: f64,
    pub is_reliable: bool,
    pub warnings: Vec<Warning>,
}

/// What grains are sought on, and how.
pub(super) struct Search<'a> {
    /// The evened picture in its own tone.
    pub picture: &'a Scratch<u8>,
    pub pores: &'a StoredLabels,
    pub options: &'a GrainOptions,
    pub folder: &'a Path,
    pub budget: &'a Budget,
}

/// A boundary map with the picture that it was found on.
struct Map {
    strength: Scratch<u8>,
    filled: Scratch<u8>,
    evidence: Evidence,
}

/// The same as [`find_at_scale`](crate::segment::grains), where that is the scale that suits.
pub(super) fn find(search: &Search<'_>) -> Result<BandedGrains, Error> {
    search.check_scale()?;
    let map = search.map()?;
    let shallowest = level(search.options.shallowest);
    let mut basins = search.basins(&map.strength, shallowest)?;
    let graph = search.graph(&basins, &map, shallowest)?;
    let contrast = Rules::of(search.options.method).contrast(&map.evidence);
    let merging = Merging::new(graph.sums, graph.edges, |edge, a, b| contrast.strength(edge, a, b));
    let roots = roots(basins.count, merging, search.options.merge_below, SMALLEST_PX);
    let Numbered { edges, areas, last_rows } = search.number(&mut basins, &roots, &map.strength)?;
    let mean_boundary_strength = mean_strength(&edges);
    let (is_reliable, warnings) = verdict(&map.evidence, search.options, mean_boundary_strength);
    Ok(BandedGrains {
        labels: basins,
        last_rows,
        areas,
        edges,
        mean_boundary_strength,
        is_reliable,
        warnings,
    })
}

struct Graph {
    edges: Vec<Edge>,
    sums: Vec<Sums>,
}

/// What numbering the grains finds out about them.
struct Numbered {
    edges: Vec<Edge>,
    areas: Vec<u64>,
    last_rows: Vec<u32>,
}

impl Search<'_> {
    fn width(&self) -> usize {
        self.picture.width()
    }

    fn height(&self) -> usize {
        self.picture.height()
    }

    fn bands(&self) -> impl Iterator<Item = Range<usize>> {
        bands(self.height(), self.budget.rows())
    }

    /// An error where grains would be sought on a reduced picture.
    fn check_scale(&self) -> Result<(), Error> {
        let middle = middle(self.width(), self.height());
        let (picture, pores) = (self.picture.read_part(middle)?, self.pores.read_part(middle)?);
        let factor = factor_by_middle(&picture, &pores, self.options);
        if factor == 1 {
            return Ok(());
        }
        let why = format!(
            "the lines of this picture are clearest at 1/{factor} of its scale, at which it cannot be measured by bands; \
             save it reduced by {factor}, choose gradient, or allow more --memory"
        );
        Err(Error::Option { name: "--boundaries", why })
    }

    /// The picture without pores, exact for `rows` and up to `reach` more on either side; and its first row.
    fn filled(&self, rows: &Range<usize>, reach: usize, mean: u8) -> Result<(Filled, usize), Error> {
        let outer = around(rows, reach + fill::WINDOW_REACH, self.height());
        let pores = self.pores.read(outer.clone())?;
        let covered = covered(&pores);
        drop(pores);
        let picture = self.picture.read(outer.clone())?;
        let filled = without_covered(&with_dark_lines(&picture, self.options.tone), &covered, mean);
        Ok((Filled { picture: filled, covered, mean }, outer.start))
    }

    /// Mean grey of what no pore covers.
    fn open_mean(&self) -> Result<u8, Error> {
        let mut open = Open::default();
        for rows in self.bands() {
            let outer = around(&rows, fill::RIM, self.height());
            let covered = covered(&self.pores.read(outer.clone())?);
            let picture = self.picture.read(outer.clone())?;
            let source = with_dark_lines(&picture, self.options.tone);
            open = open.and(Open::of(&source, &covered, rows.start - outer.start..rows.end - outer.start));
        }
        Ok(open.mean())
    }

    fn map(&self) -> Result<Map, Error> {
        let mean = self.open_mean()?;
        let kinds = kinds(self.options.method);
        let mut counts = Counts::none(kinds);
        for rows in sampled_bands(self.width(), self.height()) {
            let (filled, top) = self.filled(&rows, LINE_REACH, mean)?;
            counts.add(&filled, rows.start - top..rows.end - top);
        }
        let evidence = evidence(self.options.method, &counts.spreads());
        let strength = Scratch::create(self.folder, self.width(), self.height())?;
        let filled = Scratch::create(self.folder, self.width(), self.height())?;
        for rows in self.bands() {
            let (window, top) = self.filled(&rows, LINE_REACH, mean)?;
            let mut map = Grid::filled(self.width(), window.picture.height(), 0);
            write_map(&window.picture, kinds[0], evidence.full, &mut map);
            strength.write(rows.start, inner(&map, top, &rows).as_slice())?;
            filled.write(rows.start, inner(&window.picture, top, &rows).as_slice())?;
        }
        Ok(Map { strength, filled, evidence })
    }

    /// The relief, exact for `rows` and up to `reach` more on either side; and its first row.
    fn relief(
        &self,
        strength: &Scratch<u8>,
        shallowest: u8,
        rows: &Range<usize>,
        reach: usize,
    ) -> Result<(Grid<u8>, usize), Error> {
        let outer = around(rows, reach + RELIEF_REACH, self.height());
        let pores = self.pores.read(outer.clone())?;
        Ok((relief(&strength.read(outer.clone())?, &pores, shallowest), outer.start))
    }

    /// Where water enters.
    fn bottoms(&self, strength: &Scratch<u8>, shallowest: u8) -> Result<StoredLabels, Error> {
        let parts = Scratch::create(self.folder, self.width(), self.height())?;
        let mut joining = Joining::new(Connectivity::Four);
        for rows in self.bands() {
            let (relief, top) = self.relief(strength, shallowest, &rows, BOTTOM_REACH)?;
            let (low, draining) = low_and_draining(&relief, DEEPEST_PX);
            drop(relief);
            let (low, draining) = (inner(&low, top, &rows), inner(&draining, top, &rows));
            let signs = Signs { dark: None, without: Some(&draining) };
            parts.write(rows.start, joining.add(&low, signs)?.as_slice())?;
        }
        let joined = joining.finish(0);
        let size = (self.width(), self.height());
        Ok(StoredLabels { parts: Some(parts), table: joined.table, count: joined.count, size })
    }

    /// The basins that are flooded from the bottoms, in the place of these: rows above a band are kept until it is done.
    fn basins(&self, strength: &Scratch<u8>, shallowest: u8) -> Result<StoredLabels, Error> {
        let bottoms = self.bottoms(strength, shallowest)?;
        // Said before the flooding, which takes the longest of all passes.
        let per_basin = BYTES_PER_MERGED + MOST_EDGES_PER_REGION * BYTES_PER_MERGED_EDGE;
        self.budget.check_alone(u64::from(bottoms.count) * per_basin, || {
            format!("the {} basins of this picture (a larger --shallowest makes fewer)", bottoms.count)
        })?;
        let file = bottoms.parts.as_ref().expect("invariant: bottoms lie in a file");
        let reach = HALO + RELIEF_REACH;
        let mut above: Vec<u32> = Vec::new();
        let mut unreached = Joining::new(Connectivity::Four);
        for rows in self.bands() {
            let (relief, top) = self.relief(strength, shallowest, &rows, HALO)?;
            let below = bottoms.read(rows.start..(rows.end + reach).min(self.height()))?.grid.into_vec();
            let markers = Grid::new(self.width(), relief.height(), [above, below].concat())?;
            let kept = rows.end.saturating_sub(reach)..rows.end;
            above = inner(&markers, top, &kept).into_vec();
            let paint = |y: usize, x: usize, row: &mut [u32]| {
                row.copy_from_slice(&markers.row(y)[x..x + row.len()]);
            };
            let mut labels = Grid::filled(self.width(), rows.len(), 0);
            flood_rows(&relief, paint, rows.start - top, labels.as_mut_slice());
            drop(markers);
            let relief = inner(&relief, top, &rows);
            let mut missed = Grid::filled(self.width(), rows.len(), false);
            let pixels = missed.as_mut_slice().iter_mut().zip(labels.as_slice()).zip(relief.as_slice());
            pixels.for_each(|((missed, &label), &level)| *missed = label == 0 && level != PORE);
            let islands = unreached.add(&missed, Signs::default())?;
            let pixels = labels.as_mut_slice().iter_mut().zip(islands.as_slice());
            pixels
                .for_each(|(label, &island)| *label += if island == 0 { 0 } else { bottoms.count + island });
            file.write(rows.start, labels.as_slice())?;
        }
        let islands = unreached.finish(0);
        let of_islands = islands.table[1..].iter().map(|&island| bottoms.count + island);
        let table = (0..=bottoms.count).chain(of_islands).collect();
        Ok(StoredLabels { table, count: bottoms.count + islands.count, ..bottoms })
    }

    /// Boundaries between basins, and sums over these.
    fn graph(&self, basins: &StoredLabels, map: &Map, shallowest: u8) -> Result<Graph, Error> {
        let cap = level(Rules::of(self.options.method).cap);
        let mut pieces = Pieces::new(self.budget);
        let mut sums = vec![Sums::default(); basins.count as usize + 1];
        for rows in self.bands() {
            let outer = rows.start..(rows.end + 1).min(self.height());
            let labels = basins.read(outer.clone())?;
            let strength = map.strength.read(outer)?;
            pieces.add(&labels, &strength, cap, rows.len())?;
            let filled = map.filled.read(rows.clone())?;
            let own = &labels.grid.as_slice()[..filled.len()];
            add_sums(&mut sums, own, (filled.as_slice(), strength.as_slice()), shallowest);
        }
        let edges = pieces.finish();
        let what =
            || format!("the {} basins of this picture and their {} boundaries", basins.count, edges.len());
        let of_regions = |bytes: u64| u64::from(basins.count) * bytes;
        let of_edges = |bytes: u64| edges.len() as u64 * bytes;
        self.budget.check(of_regions(BYTES_PER_REGION) + of_edges(BYTES_PER_EDGE), what)?;
        self.budget.check_alone(of_regions(BYTES_PER_MERGED) + of_edges(BYTES_PER_MERGED_EDGE), what)?;
        Ok(Graph { edges, sums })
    }

    /// Gives the basins the labels of the grains that they belong to; boundaries between grains, their areas and last rows.
    fn number(
        &self,
        basins: &mut StoredLabels,
        roots: &[u32],
        strength: &Scratch<u8>,
    ) -> Result<Numbered, Error> {
        basins.table.iter_mut().for_each(|label| *label = roots[*label as usize]);
        let mut numbers = vec![0u32; roots.len()];
        let (mut areas, mut last_rows) = (vec![0u64], vec![0u32]);
        let mut pieces = Pieces::new(self.budget);
        for rows in self.bands() {
            let outer = rows.start..(rows.end + 1).min(self.height());
            let mut labels = basins.read(outer.clone())?;
            let width = self.width();
            for (y, row) in outer.clone().zip(labels.grid.as_mut_slice().chunks_exact_mut(width)) {
                for run in row.chunk_by(|a, b| a == b).filter(|run| run[0] != 0) {
                    let number = &mut numbers[run[0] as usize];
                    if *number == 0 {
                        *number = areas.len() as u32;
                        areas.push(0);
                        last_rows.push(0);
                    }
                    if y < rows.end {
                        areas[*number as usize] += run.len() as u64;
                        last_rows[*number as usize] = y as u32;
                    }
                }
                relabel(row, &numbers);
            }
            pieces.add(&labels, &strength.read(outer)?, u8::MAX, rows.len())?;
        }
        basins.table.iter_mut().for_each(|label| *label = numbers[*label as usize]);
        basins.count = areas.len() as u32 - 1;
        Ok(Numbered { edges: pieces.finish(), areas, last_rows })
    }
}

/// Pieces of boundaries, of which equal ones are summed up before they are too many.
struct Pieces<'a> {
    budget: &'a Budget,
    edges: Vec<Edge>,
    summed: usize,
}

impl<'a> Pieces<'a> {
    fn new(budget: &'a Budget) -> Self {
        Self { budget, edges: Vec::new(), summed: 0 }
    }

    /// Takes in the first `own` rows of a window, which holds one more where the picture does.
    fn add(&mut self, labels: &Labels, strength: &Grid<u8>, cap: u8, own: usize) -> Result<(), Error> {
        let tasks: Vec<Range<usize>> = bands(own, EDGE_ROWS).collect();
        let found: Vec<Vec<Edge>> =
            tasks.into_par_iter().map(|rows| edges_of_rows(labels, strength, cap, rows)).collect();
        self.edges.extend(found.iter().flatten());
        if self.edges.len() > self.summed + self.summed / 4 + WAITING_PIECES {
            sum_equal(&mut self.edges);
            self.summed = self.edges.len();
            let bytes = self.summed as u64 * BYTES_PER_EDGE;
            self.budget.check(bytes, || format!("the {} boundaries of this picture", self.summed))?;
        }
        Ok(())
    }

    fn finish(mut self) -> Vec<Edge> {
        sum_equal(&mut self.edges);
        self.edges
    }
}
