//! The demonstration study: alumina seal rings of an invented laboratory, fired at three temperatures.

use std::path::{Path, PathBuf};

use super::draw;
use super::looks::{Etched, Look};
use super::pores::PoreSpec;
use super::random::{Purpose, Stream};
use super::spec::{Detector, PhantomSpec};
use super::strip::{BarShape, StripSpec};
use super::structure::{Density, Structure, StructureSpec};
use super::write::{PictureFormat, Target, refuse_existing, write_phantom};
use crate::error::Error;
use crate::whole_file::write_whole;

/// One firing of the study.
struct Firing {
    /// Sub-folder and name of the specimen.
    name: &'static str,
    porosity_percent: f64,
    mean_intercept_um: f64,
    pore_diameter_um: f64,
    /// Relative numbers of pores at junctions, on boundaries and inside grains: with rising temperature
    /// boundaries break away from pores.
    pore_sites: [f64; 3],
    size_spread: f64,
    nm_per_px: f64,
}

const FIRINGS: [Firing; 3] = [
    Firing {
        name: "R1450",
        porosity_percent: 8.4,
        mean_intercept_um: 0.95,
        pore_diameter_um: 0.27,
        pore_sites: [8.0, 2.0, 0.3],
        size_spread: 0.30,
        nm_per_px: 20.0,
    },
    Firing {
        name: "R1550",
        porosity_percent: 4.1,
        mean_intercept_um: 1.6,
        pore_diameter_um: 0.36,
        pore_sites: [6.0, 2.0, 1.0],
        size_spread: 0.35,
        nm_per_px: 30.0,
    },
    Firing {
        name: "R1650",
        porosity_percent: 1.6,
        mean_intercept_um: 3.1,
        pore_diameter_um: 0.52,
        pore_sites: [4.0, 2.0, 2.5],
        size_spread: 0.42,
        nm_per_px: 50.0,
    },
];

const FIELDS: u64 = 3;

/// Seed of the first field; the others count up from it.
const FIRST_SEED: u64 = 1450;

/// The study sheet. Rings were pressed at 80 MPa to 30.0 x 19.6 x 6.2 mm with 56 % of the theoretical density; the fired
/// sizes follow from the shrinkage to 91.0, 95.5 and 98.1 %, the masses from size and density. The weighings in water of
/// 21.4 °C are those of bulk densities of 91.1, 95.8 and 98.3 % (the pictures have 91.0, 96.0 and 98.3 %) with open
/// porosities of 4.6, 0.9 and 0.2 %: pores close as the body becomes dense.
const SHEET: &str = "\
specimen,pictures,material,theoretical_density_g_cm3,theoretical_density_uncertainty_g_cm3,pressing_force_kn,\
die_diameter_mm,die_inner_diameter_mm,green_mass_g,green_outer_diameter_mm,green_inner_diameter_mm,green_height_mm,\
peak_temperature_c,hold_min,ramp_rate_k_min,atmosphere,surface,\
fired_mass_g,fired_outer_diameter_mm,fired_inner_diameter_mm,fired_height_mm,\
dry_mass_g,suspended_mass_g,saturated_mass_g,liquid,liquid_temperature_c,mass_uncertainty_g,length_uncertainty_mm
R1450,R1450/*,alumina,3.987,0.005,32.4,30.00,19.60,5.608,30.00,19.60,6.20,1450,120,5,air,thermally-etched,5.607,25.52,16.67,5.27,5.607,4.139,5.678,water,21.4,0.001,0.02
R1550,R1550/*,alumina,3.987,0.005,32.4,30.00,19.60,5.618,30.00,19.60,6.20,1550,120,5,air,thermally-etched,5.617,25.13,16.42,5.19,5.617,4.164,5.630,water,21.4,0.001,0.02
R1650,R1650/*,alumina,3.987,0.005,32.4,30.00,19.60,5.608,30.00,19.60,6.20,1650,120,5,air,thermally-etched,5.607,24.89,16.26,5.14,5.607,4.184,5.610,water,21.4,0.001,0.02
";

/// Draws the study into `folder`: pictures in one sub-folder per specimen, label maps and truth in `truth`
/// with the same sub-folders, and the study sheet `specimens.csv`. Returns the paths written.
///
/// # Errors
/// [`Error::Write`] if a file is in the way and `replace` is off, or the system refuses.
pub fn write_study(folder: &Path, replace: bool) -> Result<Vec<PathBuf>, Error> {
    let sheet = folder.join("specimens.csv");
    if !replace {
        refuse_existing(&sheet)?;
    }
    let mut paths = Vec::new();
    for (place, firing) in FIRINGS.iter().enumerate() {
        let pictures = folder.join(firing.name);
        let truth = folder.join("truth").join(firing.name);
        for path in [&pictures, &truth] {
            std::fs::create_dir_all(path).map_err(|source| Error::Write { path: path.clone(), source })?;
        }
        for field in 1..=FIELDS {
            let spec = field_spec(firing, field, FIRST_SEED + FIELDS * place as u64 + field - 1);
            let format = if field == 2 { PictureFormat::Tiff } else { PictureFormat::Png };
            let name = format!("field-{field}");
            let target = Target { pictures: &pictures, truth: &truth, name: &name, format, replace };
            paths.extend(write_phantom(&draw(&spec)?, &target)?);
        }
    }
    write_whole(&sheet, SHEET.as_bytes())?;
    paths.push(sheet);
    Ok(paths)
}

/// One field: fields of a specimen scatter about its porosity and grain size.
fn field_spec(firing: &Firing, field: u64, seed: u64) -> PhantomSpec {
    let mut stream = Stream::new(seed, Purpose::Sampling, 1);
    let um_per_px = firing.nm_per_px / 1000.0;
    let [junction_share, boundary_share, inside_share] = firing.pore_sites;
    PhantomSpec {
        structure: StructureSpec {
            structure: Structure::Section3d { size_spread: firing.size_spread, regularity: 0.8 },
            density: Density::MeanInterceptPx(firing.mean_intercept_um * stream.lognormal(0.03) / um_per_px),
        },
        pores: PoreSpec {
            percent: firing.porosity_percent * stream.lognormal(0.08),
            diameter_px: firing.pore_diameter_um / um_per_px,
            junction_share,
            boundary_share,
            inside_share,
            ..PoreSpec::default()
        },
        look: Look::Etched(Etched::default()),
        detector: Detector { counts: 1200.0, ..Detector::default() },
        um_per_px,
        strip: Some(StripSpec {
            bar: BarShape::Solid,
            caption: format!("Seal ring {}, field {field} (drawn)", firing.name),
            ..StripSpec::default()
        }),
        seed,
        ..PhantomSpec::default()
    }
}
