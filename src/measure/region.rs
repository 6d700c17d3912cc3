//! Size, shape and place of each region of a label map.

/// What is measured on every labelled region. Lengths and areas are in the unit of the spacing that was given.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    /// Label in the map, from 1.
    pub label: u32,
    /// Pixels.
    pub area_px: u64,
    /// Pixels times the area of one.
    pub area: f64,
    /// Column of the centre of gravity, in px from the centre of the first column.
    pub centroid_x_px: f64,
    /// Row of the centre of gravity, in px from the centre of the first row.
    pub centroid_y_px: f64,
    /// Bounding box: first column, first row, columns, rows.
    pub bounding_box: crate::grid::Frame,
    /// Diameter of the circle of the same area, √(4A/π).
    pub equivalent_diameter: f64,
    /// Perimeter after Crofton from four directions; unbiased for isotropic outlines.
    pub perimeter: f64,
    /// Largest distance between parallel tangents, over pixel outlines.
    pub feret_max: f64,
    /// Smallest distance between parallel tangents, over pixel outlines.
    pub feret_min: f64,
    /// Direction of the longest axis of the second moments, in degrees from the row direction, counter-clockwise as
    /// seen, in (-90, 90].
    pub orientation_deg: f64,
    /// Area divided by the area of the convex hull, over pixel outlines; at most 1.
    pub solidity: f64,
    /// Whether a pixel lies on the rim of the map.
    pub touches_frame: bool,
}

impl Region {
    /// Form factor 4πA/P²: 1 for a circle, smaller for ragged outlines. May exceed 1 by the error of the perimeter.
    pub fn form_factor(&self) -> f64 {
        4.0 * std::f64::consts::PI * self.area / (self.perimeter * self.perimeter)
    }

    /// Smallest over largest Feret diameter, in (0, 1].
    pub fn aspect_ratio(&self) -> f64 {
        self.feret_min / self.feret_max
    }
}
