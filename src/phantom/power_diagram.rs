//! Which cell of a power diagram holds each pixel centre, exactly.
//!
//! A plane section through a three-dimensional power diagram is a power diagram in the plane: a sphere with
//! centre (x, y, z) and weight w acts in the plane z = 0 as a site at (x, y) with offset z² - w. Along one row
//! each site is a parabola of the same curvature, so the nearest site of all pixels of the row is the lower
//! envelope of parabolas, found in one sweep (P. F. Felzenszwalb, D. P. Huttenlocher, Theory of Computing 8
//! (2012) 415, doi:10.4086/toc.2012.v008a019).

use rayon::prelude::*;

use crate::grid::Grid;

/// A site of a power diagram in the plane; the power distance of a point is dx² + dy² + `offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Site {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) offset: f64,
}

/// The pixels to be drawn: pixel (column, row) has its centre at (left + column + ½, top + row + ½).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Window {
    pub(crate) left: f64,
    pub(crate) top: f64,
    pub(crate) width: usize,
    pub(crate) height: usize,
}

impl Window {
    /// Centre of row `row`.
    fn row_centre(&self, row: usize) -> f64 {
        self.top + row as f64 + 0.5
    }
}

const BAND_ROWS: usize = 16;

/// For each pixel of `window`, 1 + the index of the site of least power distance.
///
/// `sites` must not be empty and must ascend in x. Of equally near sites any may be taken, always the same one.
pub(crate) fn rasterise(sites: &[Site], window: Window) -> Grid<u32> {
    let mut ids = Grid::filled(window.width, window.height, 0u32);
    let reach = first_reach(sites, window);
    ids.as_mut_slice().par_chunks_mut(window.width * BAND_ROWS).enumerate().for_each(|(band, rows)| {
        let first = band * BAND_ROWS;
        let mut sweep = Sweep::default();
        let near = near_band(sites, window.row_centre(first), reach);
        for (i, row) in rows.chunks_exact_mut(window.width).enumerate() {
            let y = window.row_centre(first + i);
            // A site outside the reach could still win where the nearest found is farther than the reach.
            if !sweep.fill(sites, near.iter().copied(), (y, reach * reach), window.left, row) {
                sweep.fill(sites, 0..sites.len() as u32, (y, f64::INFINITY), window.left, row);
            }
        }
    });
    ids
}

/// A distance within which most pixels find their site: a guess that only decides the speed.
fn first_reach(sites: &[Site], window: Window) -> f64 {
    let area = (window.width * window.height) as f64;
    let low = sites.iter().filter(|s| s.offset <= 0.0).count().max(1);
    let sparse = 3.0 * libm::sqrt(area / low as f64);
    let dense = 6.0 * libm::sqrt(area / sites.len() as f64);
    sparse.min(dense).max(2.0)
}

/// Indices of the sites that lie within `reach` of a band of rows, by power distance in y alone.
fn near_band(sites: &[Site], first_row: f64, reach: f64) -> Vec<u32> {
    let last_row = first_row + (BAND_ROWS - 1) as f64;
    let is_near = |site: &Site| {
        let dy = (first_row - site.y).max(site.y - last_row).max(0.0);
        dy * dy + site.offset <= reach * reach
    };
    (0..sites.len() as u32).filter(|&i| is_near(&sites[i as usize])).collect()
}

/// Working memory for the lower envelope of one row.
#[derive(Default)]
struct Sweep {
    /// Site, its x and its value at its own x, and where it takes over from the one before.
    envelope: Vec<(u32, f64, f64, f64)>,
}

impl Sweep {
    /// Fills one row with ids; `false` if a pixel's power distance came out above `limit`.
    fn fill(
        &mut self,
        sites: &[Site],
        candidates: impl Iterator<Item = u32>,
        (y, limit): (f64, f64),
        left: f64,
        row: &mut [u32],
    ) -> bool {
        self.envelope.clear();
        for i in candidates {
            let site = sites[i as usize];
            let dy = y - site.y;
            let lift = dy * dy + site.offset;
            if lift <= limit {
                self.push(i, site.x, lift);
            }
        }
        self.paint(limit, left, row)
    }

    fn push(&mut self, index: u32, x: f64, lift: f64) {
        let mut start = f64::NEG_INFINITY;
        while let Some(&(_, last_x, last_lift, last_start)) = self.envelope.last() {
            if x == last_x {
                if lift >= last_lift {
                    return;
                }
            } else {
                // Where both parabolas are equal; written with differences to keep digits.
                start = 0.5 * (x + last_x) + (lift - last_lift) / (2.0 * (x - last_x));
                if start > last_start {
                    break;
                }
            }
            start = f64::NEG_INFINITY;
            self.envelope.pop();
        }
        self.envelope.push((index, x, lift, start));
    }

    fn paint(&self, limit: f64, left: f64, row: &mut [u32]) -> bool {
        if self.envelope.is_empty() {
            return false;
        }
        let mut column = 0;
        for (k, &(index, site_x, lift, _)) in self.envelope.iter().enumerate() {
            let end = self.envelope.get(k + 1).map_or(f64::INFINITY, |next| next.3);
            let until = (libm::ceil(end - left - 0.5).max(0.0) as usize).min(row.len());
            if until <= column {
                continue;
            }
            // The parabola is convex, so the largest value is at an end of its stretch.
            let value = |c: usize| {
                let dx = left + c as f64 + 0.5 - site_x;
                dx * dx + lift
            };
            if value(column) > limit || value(until - 1) > limit {
                return false;
            }
            row[column..until].fill(index + 1);
            column = until;
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::random::{Purpose, Stream};

    #[test]
    fn every_pixel_has_the_site_that_a_full_search_finds() {
        let window = Window { left: -3.0, top: 2.0, width: 90, height: 41 };
        let mut stream = Stream::new(11, Purpose::Sites, 0);
        for count in [1, 2, 7, 60, 900] {
            let mut sites: Vec<Site> = (0..count)
                .map(|_| Site {
                    x: stream.between(-20.0, 110.0),
                    y: stream.between(-20.0, 65.0),
                    offset: stream.between(-60.0, 60.0),
                })
                .collect();
            sites.sort_by(|a, b| a.x.total_cmp(&b.x));
            let ids = rasterise(&sites, window);
            for row in 0..window.height {
                for column in 0..window.width {
                    let (x, y) = (window.left + column as f64 + 0.5, window.top + row as f64 + 0.5);
                    let power = |s: &Site| (x - s.x) * (x - s.x) + (y - s.y) * (y - s.y) + s.offset;
                    let least = sites.iter().map(power).fold(f64::INFINITY, f64::min);
                    let found = power(&sites[ids.at(column, row) as usize - 1]);
                    assert!(found <= least + 1e-9, "{count} sites, pixel {column},{row}: {found} > {least}");
                }
            }
        }
    }
}
