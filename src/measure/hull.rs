//! Convex hull of a region, over the midpoints of its pixels' edges.
//!
//! Coordinates are doubled, so that pixel centres are even, edge midpoints whole numbers, and everything is exact.

use crate::units::Spacing;

/// First and last column of a region in one row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RowExtent {
    /// Row.
    pub y: u32,
    /// First column.
    pub first: u32,
    /// Last column.
    pub last: u32,
}

type Point = (i64, i64);

/// A convex polygon as two chains from its top to its bottom.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hull {
    left: Vec<Point>,
    right: Vec<Point>,
}

impl Hull {
    /// The hull of all pixels between the first and the last column of each row; `rows` ascend and are not empty.
    pub fn of(rows: &[RowExtent]) -> Self {
        let (mut left, mut right) = (Vec::new(), Vec::new());
        let mut level = |y: i64, first: i64, last: i64| {
            push_convex(&mut left, (first, y), 1);
            push_convex(&mut right, (last, y), -1);
        };
        for (index, row) in rows.iter().enumerate() {
            let (y, first, last) = doubled(row);
            // The lower edges of the row above and the upper edges of this one lie on one level if the rows touch.
            let above = index.checked_sub(1).map(|i| doubled(&rows[i]));
            match above {
                Some((above_y, f, l)) if above_y + 2 == y => level(y - 1, first.min(f), last.max(l)),
                Some((above_y, f, l)) => {
                    level(above_y + 1, f, l);
                    level(y - 1, first, last);
                }
                None => level(y - 1, first, last),
            }
            level(y, first - 1, last + 1);
        }
        let (y, first, last) = doubled(&rows[rows.len() - 1]);
        level(y + 1, first, last);
        Self { left, right }
    }

    /// Pixels whose centre lies in the hull or on its edge.
    pub fn pixels(&self) -> u64 {
        let (mut left, mut right) = (Edge::new(&self.left), Edge::new(&self.right));
        let (top, bottom) = (self.left[0].1 + 1, self.left[self.left.len() - 1].1 - 1);
        (top..=bottom)
            .step_by(2)
            .map(|y| {
                let (a, b) = left.at(y);
                let (c, d) = right.at(y);
                // Even numbers 2k from a/b up and from c/d down.
                let first = -(-a).div_euclid(2 * b);
                let last = c.div_euclid(2 * d);
                (last - first + 1).max(0) as u64
            })
            .sum()
    }

    /// Smallest and largest distance between parallel tangents.
    ///
    /// Each edge is tried against every corner: hulls of pixels have few corners, some 3 times the cube root of the
    /// square of their size in px at most.
    pub fn feret(&self, spacing: Spacing) -> (f64, f64) {
        let corners = self.corners(spacing);
        let (mut smallest, mut largest) = (f64::INFINITY, 0.0f64);
        for (index, &(x, y)) in corners.iter().enumerate() {
            let (next_x, next_y) = corners[(index + 1) % corners.len()];
            let (dx, dy) = (next_x - x, next_y - y);
            let length = dx.hypot(dy);
            let (mut width, mut squared) = (0.0f64, 0.0f64);
            for &(other_x, other_y) in &corners {
                let (ex, ey) = (other_x - x, other_y - y);
                width = width.max((dx * ey - dy * ex).abs());
                squared = squared.max(ex * ex + ey * ey);
            }
            smallest = smallest.min(width / length);
            largest = largest.max(squared.sqrt());
        }
        (smallest, largest)
    }

    /// Corners in turn, in the unit of the spacing.
    pub fn corners(&self, spacing: Spacing) -> Vec<(f64, f64)> {
        let mut points: Vec<Point> = self.left.iter().chain(self.right.iter().rev()).copied().collect();
        // Both chains have the top and the bottom point where the level has a single one.
        points.dedup();
        if points.len() > 1 && points[0] == points[points.len() - 1] {
            points.pop();
        }
        points.iter().map(|&(x, y)| (x as f64 / 2.0 * spacing.x, y as f64 / 2.0 * spacing.y)).collect()
    }
}

fn doubled(row: &RowExtent) -> (i64, i64, i64) {
    (2 * i64::from(row.y), 2 * i64::from(row.first), 2 * i64::from(row.last))
}

/// Appends a point below all others to a chain that bends to one side only: left (1) or right (-1).
fn push_convex(chain: &mut Vec<Point>, point: Point, side: i64) {
    while let [.., a, b] = chain[..] {
        let cross = (b.0 - a.0) * (point.1 - a.1) - (b.1 - a.1) * (point.0 - a.0);
        if side * cross < 0 {
            break;
        }
        chain.pop();
    }
    chain.push(point);
}

/// Walks down a chain and gives its x at a level as numerator and positive denominator.
struct Edge<'a> {
    chain: &'a [Point],
    index: usize,
}

impl<'a> Edge<'a> {
    fn new(chain: &'a [Point]) -> Self {
        Self { chain, index: 0 }
    }

    fn at(&mut self, y: i64) -> (i64, i64) {
        while self.chain[self.index + 1].1 < y {
            self.index += 1;
        }
        let ((x0, y0), (x1, y1)) = (self.chain[self.index], self.chain[self.index + 1]);
        (x0 * (y1 - y0) + (x1 - x0) * (y - y0), y1 - y0)
    }
}
