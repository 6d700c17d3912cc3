//! Drawn pictures with their truth.

use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;

use ceramograph::grid::{Grid, Labels};
use ceramograph::micrograph::{Grey, Micrograph};

/// A drawn picture with its truth.
pub struct TruePicture {
    /// File name without ending.
    pub name: String,
    /// Whether it belongs to the hard set.
    pub hard: bool,
    /// The picture.
    pub micrograph: Micrograph,
    /// 0 in pores, one label for each grain.
    pub labels: Labels,
    /// True area fraction of pores, in percent.
    pub porosity_percent: f64,
    /// True mean intercept.
    pub mean_intercept_px: f64,
}

#[derive(serde::Deserialize)]
struct Truth {
    hard: bool,
    porosity: f64,
    mean_intercept_px: f64,
}

/// Every picture that truth.json lists, by name.
pub fn read_all(folder: &Path) -> Result<Vec<TruePicture>, Box<dyn Error>> {
    let truths: BTreeMap<String, Truth> =
        serde_json::from_str(&std::fs::read_to_string(folder.join("truth.json"))?)?;
    truths
        .into_iter()
        .map(|(name, truth)| {
            let picture = image::open(folder.join(format!("{name}.png")))?.into_luma8();
            let grey = grid(picture.width(), picture.height(), picture.into_raw())?;
            let labels = image::open(folder.join(format!("{name}.labels.png")))?.into_luma16();
            let ids = labels.as_raw().iter().map(|&id| u32::from(id)).collect();
            let ids = grid(labels.width(), labels.height(), ids)?;
            Ok(TruePicture {
                micrograph: Micrograph { grey: Grey::Eight(grey), claims: Vec::new(), warnings: Vec::new() },
                labels: Labels::from_ids(ids),
                name,
                hard: truth.hard,
                porosity_percent: 100.0 * truth.porosity,
                mean_intercept_px: truth.mean_intercept_px,
            })
        })
        .collect()
}

fn grid<T>(width: u32, height: u32, data: Vec<T>) -> Result<Grid<T>, ceramograph::error::Error> {
    Grid::new(width as usize, height as usize, data)
}
