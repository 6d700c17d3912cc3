//! Half way between the pore floors and the solid around each pixel.

use rayon::prelude::*;

use super::modes::Modes;
use crate::grid::Grid;

/// Side of the square of surroundings, in px: wider than the blur of an edge, narrower than most grains.
pub const WINDOW_PX: usize = 13;
/// Rows on either side of a pixel.
const REACH: usize = WINDOW_PX / 2;
/// Rows that one task works on.
const BAND_ROWS: usize = 128;
/// Fewer solid pixels than this among the surroundings say nothing; the solid of the whole picture is taken.
const FEWEST_SOLID_PX: f32 = 5.0;

/// For each pixel the grey below which it belongs to a pore.
///
/// The level is P + (S − P)/2. P is the grey of the pore floors ([`Modes::pore`]) and S the mean grey of the solid
/// within a square of [`WINDOW_PX`] around the pixel; solid, for this mean, is what is brighter than two fifths of the
/// way from P to [`Modes::solid`]. Blur moves an edge by the same amount on both sides, so half the height is where
/// the edge was; and taking the height next to the edge keeps it there whether the pore lies in a dark grain, a
/// bright grain or a shaded face.
pub fn cuts(picture: &Grid<u8>, modes: Modes) -> Grid<u8> {
    let (width, height) = (picture.width(), picture.height());
    let mut cuts = Grid::filled(width, height, 0);
    cuts.as_mut_slice().par_chunks_mut(BAND_ROWS * width).enumerate().for_each(|(band, out)| {
        let top = band * BAND_ROWS;
        let mut columns = Columns::new(width, modes);
        let clamped = |y: usize, step: usize| picture.row((y + step).saturating_sub(REACH).min(height - 1));
        (0..WINDOW_PX - 1).for_each(|step| columns.take_in(clamped(top, step)));
        for (row, out) in out.chunks_exact_mut(width).enumerate() {
            columns.take_in(clamped(top + row, WINDOW_PX - 1));
            columns.cut_row(out);
            columns.let_go(clamped(top + row, 0));
        }
    });
    cuts
}

/// Sums over the rows of the window, for each column: solid pixels, and their grey above the pore floors.
///
/// At most 13 · 13 · 255 = 43 095, so that 16 bits hold a whole window.
struct Columns {
    modes: Modes,
    darkest_solid: u8,
    counts: Vec<u16>,
    sums: Vec<u16>,
    window_counts: Vec<u16>,
    window_sums: Vec<u16>,
    doubled: [Vec<u16>; 3],
}

impl Columns {
    fn new(width: usize, modes: Modes) -> Self {
        let padded = width + 2 * REACH;
        let darkest_solid = modes.pore + (modes.solid - modes.pore) * 2 / 5 + 1;
        Self {
            modes,
            darkest_solid: darkest_solid as u8,
            counts: vec![0; padded],
            sums: vec![0; padded],
            window_counts: vec![0; width],
            window_sums: vec![0; width],
            doubled: [vec![0; padded], vec![0; padded], vec![0; padded]],
        }
    }

    fn take_in(&mut self, row: &[u8]) {
        self.update(row, |total, value| total.wrapping_add(value));
    }

    fn let_go(&mut self, row: &[u8]) {
        self.update(row, |total, value| total.wrapping_sub(value));
    }

    fn update(&mut self, row: &[u8], change: impl Fn(u16, u16) -> u16) {
        let width = row.len();
        let (floor, darkest) = (self.modes.pore as u8, self.darkest_solid);
        let columns = self.counts[REACH..REACH + width].iter_mut().zip(&mut self.sums[REACH..REACH + width]);
        for ((count, sum), &grey) in columns.zip(row) {
            let solid = grey >= darkest;
            *count = change(*count, u16::from(solid));
            *sum = change(*sum, if solid { u16::from(grey - floor) } else { 0 });
        }
    }

    fn cut_row(&mut self, out: &mut [u8]) {
        window_sums(&mut self.counts, &mut self.doubled, &mut self.window_counts);
        window_sums(&mut self.sums, &mut self.doubled, &mut self.window_sums);
        let usual = (self.modes.solid - self.modes.pore) as f32;
        let floor = self.modes.pore as f32 + 1.0;
        for ((out, &count), &sum) in out.iter_mut().zip(&self.window_counts).zip(&self.window_sums) {
            let count = f32::from(count);
            let mean = if count < FEWEST_SOLID_PX { usual } else { f32::from(sum) / count };
            // Adding 2²³ leaves the rounded number in the lowest bits. Means are fractions of at most 169, halves of
            // them at least 1/338 apart, so that rounding 0.499 less is rounding down.
            *out = (floor + 0.5 * mean - 0.499 + 8_388_608.0).to_bits() as u8;
        }
    }
}

/// Sums of 13 neighbours as 8 + 4 + 1 of repeatedly doubled sums: few passes, all of them on whole slices.
fn window_sums(columns: &mut [u16], doubled: &mut [Vec<u16>; 3], out: &mut [u16]) {
    let width = out.len();
    let (first, last) = (columns[REACH], columns[REACH + width - 1]);
    columns[..REACH].fill(first);
    columns[REACH + width..].fill(last);
    let [two, four, eight] = doubled;
    pairs(columns, 1, two);
    pairs(two, 2, four);
    pairs(four, 4, eight);
    let parts = eight[..width].iter().zip(&four[8..8 + width]).zip(&columns[12..12 + width]);
    for (out, ((&eight, &four), &one)) in out.iter_mut().zip(parts) {
        *out = eight + four + one;
    }
}

fn pairs(of: &[u16], apart: usize, out: &mut [u16]) {
    for ((out, &a), &b) in out.iter_mut().zip(of).zip(&of[apart.min(of.len())..]) {
        *out = a.wrapping_add(b);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slow(picture: &Grid<u8>, modes: Modes) -> Grid<u8> {
        let darkest = modes.pore + (modes.solid - modes.pore) * 2 / 5 + 1;
        let place = |v: usize, step: usize, length: usize| (v + step).saturating_sub(REACH).min(length - 1);
        Grid::from_fn(picture.width(), picture.height(), |x, y| {
            let solid: Vec<usize> = (0..WINDOW_PX * WINDOW_PX)
                .map(|k| {
                    let column = place(x, k % WINDOW_PX, picture.width());
                    usize::from(picture.at(column, place(y, k / WINDOW_PX, picture.height())))
                })
                .filter(|&grey| grey >= darkest)
                .collect();
            let mean = match solid.len() {
                0..5 => modes.solid as f64,
                n => solid.iter().sum::<usize>() as f64 / n as f64,
            };
            (modes.pore as f64 + (mean - modes.pore as f64) / 2.0).floor() as u8 + 1
        })
    }

    #[test]
    fn agrees_with_plain_sums() {
        for (width, height) in [(1, 1), (5, 3), (40, 300), (77, 29)] {
            let picture = Grid::from_fn(width, height, |x, y| ((x * x * 7 + y * 31 + x * y) % 251) as u8);
            let modes = Modes { pore: 30, valley: 60, solid: 171 };
            assert_eq!(cuts(&picture, modes), slow(&picture, modes), "{width} x {height}");
        }
    }

    #[test]
    fn the_edge_of_a_pore_is_half_way_to_the_grain_beside_it() {
        // A pore of grey 20 between a grain of 80 and one of 180.
        let picture = Grid::from_fn(60, 40, |x, _| match x {
            0..20 => 80,
            20..40 => 20,
            _ => 180,
        });
        let cuts = cuts(&picture, Modes { pore: 20, valley: 45, solid: 110 });
        assert_eq!(cuts.at(20, 20), 51);
        assert_eq!(cuts.at(39, 20), 101);
    }
}
