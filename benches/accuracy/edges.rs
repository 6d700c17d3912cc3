//! Boundaries between regions before they are merged, with whether they are real: what a calibration is fitted to.

use std::collections::HashMap;
use std::error::Error;
use std::path::Path;

use ceramograph::grid::{Grid, Labels};
use ceramograph::options::Options;
use ceramograph::pipeline;

use crate::Methods;
use crate::score::options;
use crate::truth::TruePicture;

/// The table, one line for each boundary.
pub struct Table(csv::Writer<std::fs::File>);

impl Table {
    /// Starts the file with its head.
    pub fn create(path: &Path) -> Result<Self, csv::Error> {
        let mut writer = csv::Writer::from_path(path)?;
        writer.write_record([
            "set",
            "picture",
            "boundaries",
            "region_a",
            "region_b",
            "length_px",
            "mean_strength",
            "real",
        ])?;
        Ok(Self(writer))
    }

    /// Adds the boundaries of one picture by every map; nothing where the truth has no grains.
    ///
    /// A boundary is real where most pixels of its two regions belong to different true grains; regions that lie mostly
    /// outside the truth's grains are left out.
    pub fn add(&mut self, picture: &TruePicture, methods: &Methods) -> Result<(), Box<dyn Error>> {
        let Some(truth) = &picture.grains else { return Ok(()) };
        for &map in &methods.boundaries {
            let unmerged = Options { merge_below: 0.0, ..options(picture, methods.pores[0], map) };
            let Some(found) = pipeline::measure(&picture.micrograph, &unmerged)?.grain_map else { continue };
            let owners = owners(&truth.grid, &found.labels);
            let name = map.name();
            for edge in &found.edges {
                let [a, b] = [edge.a, edge.b].map(|label| owners[label as usize]);
                if a == 0 || b == 0 {
                    continue;
                }
                self.0.write_record([
                    picture.set.clone(),
                    picture.name.clone(),
                    name.to_owned(),
                    edge.a.to_string(),
                    edge.b.to_string(),
                    edge.length_px.to_string(),
                    edge.mean_strength().to_string(),
                    u8::from(a != b).to_string(),
                ])?;
            }
        }
        Ok(())
    }

    /// Writes what is left.
    pub fn finish(mut self) -> Result<(), Box<dyn Error>> {
        Ok(self.0.flush()?)
    }
}

/// For each found region the true label that most of its pixels carry, 0 included; the smallest of several.
fn owners(truth: &Grid<u32>, found: &Labels) -> Vec<u32> {
    let mut shared: HashMap<(u32, u32), u64> = HashMap::new();
    for (&region, &grain) in found.grid.as_slice().iter().zip(truth.as_slice()) {
        *shared.entry((region, grain)).or_default() += 1;
    }
    let mut best = vec![(0u64, 0u32); found.count as usize + 1];
    for (&(region, grain), &pixels) in &shared {
        let best = &mut best[region as usize];
        if pixels > best.0 || (pixels == best.0 && grain < best.1) {
            *best = (pixels, grain);
        }
    }
    best.into_iter().map(|(_, grain)| grain).collect()
}
