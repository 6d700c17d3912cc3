//! Pictures with their truth, recognised by what a folder holds.
//!
//! | folder holds | truth |
//! |---|---|
//! | `truth.json` beside NAME.png and NAME.labels.png | drawn pictures; 0 = pore, one label for each grain |
//! | NAME.truth.json beside NAME.png or NAME.tif and NAME.labels.png | phantoms of our own |
//! | `images/`, `labels/` and `truth.csv` with `n_labels` | touching bodies; 0 = no body or not labelled |
//! | `images/`, `labels/` and `truth.csv` with `frac_secondary1` | phases: 0 = bright, 1 = dark, 2 = finest dark particles |
//! | `images/` and `pores/` | 255 = pore |
//!
//! Numbers are counted anew on the label maps, by one rule for all (`phantom::truth`); where a file states them as well,
//! both must agree.

use std::collections::BTreeMap;
use std::error::Error;
use std::path::{Path, PathBuf};

use ceramograph::grid::{Frame, Grid, Labels, Mask};
use ceramograph::micrograph::{self, Micrograph, ReadOptions, is_picture_name};
use ceramograph::phantom::truth::{Truth, mean_intercept_px, porosity_percent};

type Failure = Box<dyn Error>;

/// The part of a set that the network learned from; it says nothing of how good it is on others.
pub const LEARNED_FROM: &str = "learned from";

/// A picture that is not read yet.
pub struct Source {
    /// Name of its folder.
    pub set: String,
    /// File name without ending.
    pub name: String,
    /// How the surface looks; the name of the folder where nothing says it.
    pub look: String,
    /// `easy` or `hard`; [`LEARNED_FROM`] or `kept back` of bodies; `-` where there is no difference.
    pub part: &'static str,
    picture: PathBuf,
    labels: PathBuf,
    kind: Kind,
}

enum Kind {
    /// Grains and pores, with the stated porosity in percent, mean intercept, and whether grains can be seen.
    Grains { porosity_percent: f64, mean_intercept_px: Option<f64>, visible: bool },
    /// Instances; what carries no label is not known to be a pore.
    Bodies,
    /// Two phases, the second one in two sizes.
    Phases,
    /// A mask of pores.
    Pores,
}

/// A picture with its truth.
pub struct TruePicture {
    /// Name of its folder.
    pub set: String,
    /// File name without ending.
    pub name: String,
    /// How the surface looks.
    pub look: String,
    /// As of the [`Source`].
    pub part: &'static str,
    /// The picture.
    pub micrograph: Micrograph,
    /// The part of it that the truth covers.
    pub frame: Frame,
    /// 0 in pores, one label for each grain; `None` where there are none, or none that can be seen.
    pub grains: Option<Labels>,
    /// Whether what carries no label is unknown rather than pore: particles that nobody drew round, insets, letters.
    pub is_partly_labelled: bool,
    /// Whether the picture shows grains at all; `None` where the truth does not say.
    pub shows_grains: Option<bool>,
    /// True mean intercept.
    pub mean_intercept_px: Option<f64>,
    /// True pores, or the true dark phase.
    pub pores: Option<Mask>,
    /// True area fraction of pores or of the dark phase, in percent.
    pub porosity_percent: Option<f64>,
    /// The same without the finest particles.
    pub coarse_only_percent: Option<f64>,
}

/// Every picture of a folder, by name.
pub fn sources(folder: &Path) -> Result<Vec<Source>, Failure> {
    let found = if folder.join("truth.json").is_file() {
        drawn(folder)?
    } else if folder.join("pores").is_dir() {
        beside_images(folder, "pores", || Kind::Pores)?
    } else if folder.join("labels").is_dir() {
        let head = std::fs::read_to_string(folder.join("truth.csv"))?;
        let head = head.lines().next().unwrap_or_default();
        match () {
            () if head.contains("frac_secondary1") => beside_images(folder, "labels", || Kind::Phases)?,
            () if head.contains("n_labels") => bodies(folder)?,
            () => return Err(format!("{}: truth.csv has no known columns", folder.display()).into()),
        }
    } else {
        phantoms(folder)?
    };
    if found.is_empty() {
        return Err(format!("{} holds no pictures with a known kind of truth", folder.display()).into());
    }
    Ok(found)
}

fn drawn(folder: &Path) -> Result<Vec<Source>, Failure> {
    #[derive(serde::Deserialize)]
    struct Stated {
        look: String,
        hard: bool,
        porosity: f64,
        mean_intercept_px: f64,
    }
    let text = std::fs::read_to_string(folder.join("truth.json"))?;
    let stated: BTreeMap<String, Stated> = serde_json::from_str(&text)?;
    let source = |(name, stated): (String, Stated)| Source {
        set: folder_name(folder),
        look: stated.look,
        part: if stated.hard { "hard" } else { "easy" },
        picture: folder.join(format!("{name}.png")),
        labels: folder.join(format!("{name}.labels.png")),
        name,
        kind: Kind::Grains {
            porosity_percent: 100.0 * stated.porosity,
            mean_intercept_px: Some(stated.mean_intercept_px),
            visible: true,
        },
    };
    Ok(stated.into_iter().map(source).collect())
}

fn phantoms(folder: &Path) -> Result<Vec<Source>, Failure> {
    let mut found = Vec::new();
    for path in files(folder)? {
        let file = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        let Some(name) = file.strip_suffix(".truth.json").map(str::to_owned) else { continue };
        let truth: Truth = serde_json::from_str(&std::fs::read_to_string(&path)?)?;
        let with = |ending| folder.join(format!("{name}.{ending}"));
        let picture = ["png", "tif"].into_iter().map(with).find(|path| path.is_file());
        found.push(Source {
            set: folder_name(folder),
            look: truth.spec.look.name().to_owned(),
            part: "-",
            picture: picture.ok_or_else(|| format!("{}: its picture is missing", path.display()))?,
            labels: with("labels.png"),
            name,
            kind: Kind::Grains {
                porosity_percent: truth.porosity_percent,
                mean_intercept_px: truth.mean_intercept_px,
                visible: truth.grains_visible,
            },
        });
    }
    Ok(found)
}

fn beside_images(folder: &Path, labels: &str, kind: fn() -> Kind) -> Result<Vec<Source>, Failure> {
    let pictures = files(&folder.join("images"))?.into_iter().filter(|path| is_picture_name(path));
    let source = |picture: PathBuf| {
        let name = picture.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        Source {
            set: folder_name(folder),
            look: folder_name(folder),
            part: "-",
            labels: folder.join(labels).join(format!("{name}.png")),
            name,
            picture,
            kind: kind(),
        }
    };
    Ok(pictures.map(source).collect())
}

/// Pictures of bodies, with the part that the training record names among them.
fn bodies(folder: &Path) -> Result<Vec<Source>, Failure> {
    #[derive(serde::Deserialize)]
    struct Record {
        real_bodies: Vec<String>,
    }
    let record = Path::new(env!("CARGO_MANIFEST_DIR")).join("models/training.json");
    let record: Record = serde_json::from_str(&std::fs::read_to_string(record)?)?;
    let mut found = beside_images(folder, "labels", || Kind::Bodies)?;
    for source in &mut found {
        let is_learned = record.real_bodies.iter().any(|file| source.picture.ends_with(file));
        source.part = if is_learned { LEARNED_FROM } else { "kept back" };
    }
    Ok(found)
}

fn files(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let entries = std::fs::read_dir(folder).map_err(|why| format!("{}: {why}", folder.display()))?;
    let mut paths = entries.map(|entry| Ok(entry?.path())).collect::<Result<Vec<_>, Failure>>()?;
    paths.sort();
    Ok(paths)
}

fn folder_name(folder: &Path) -> String {
    folder.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Reads a picture and counts its truth.
pub fn read(source: &Source) -> Result<TruePicture, Failure> {
    let bytes = std::fs::read(&source.picture)?;
    let micrograph = micrograph::pages(&bytes, &source.picture, &ReadOptions::default())?.read(0)?;
    let map = image::open(&source.labels)?;
    let map = match source.kind {
        // Masks of 8 bit keep their numbers.
        Kind::Pores | Kind::Phases => map.into_luma8().map_to_ids(),
        _ => map.into_luma16().map_to_ids(),
    }?;
    // A strip of text below the micrograph has no truth.
    let frame = Frame { x: 0, y: 0, width: map.width(), height: map.height() };
    if frame.width != micrograph.grey.width() || frame.height > micrograph.grey.height() {
        return Err(format!("{}: picture and label map differ in size", source.picture.display()).into());
    }
    let mut picture = TruePicture {
        set: source.set.clone(),
        name: source.name.clone(),
        look: source.look.clone(),
        part: source.part,
        micrograph,
        frame,
        grains: None,
        is_partly_labelled: matches!(source.kind, Kind::Bodies),
        shows_grains: None,
        mean_intercept_px: None,
        pores: None,
        porosity_percent: None,
        coarse_only_percent: None,
    };
    count(&mut picture, map, &source.kind)?;
    Ok(picture)
}

fn count(picture: &mut TruePicture, map: Grid<u32>, kind: &Kind) -> Result<(), Failure> {
    let percent = |is: fn(u32) -> bool| {
        100.0 * map.as_slice().iter().filter(|&&id| is(id)).count() as f64 / map.len() as f64
    };
    match kind {
        Kind::Pores => {
            picture.porosity_percent = Some(percent(|id| id > 127));
            picture.pores = Some(map.map(|id| id > 127));
        }
        Kind::Phases => {
            picture.pores = Some(map.map(|id| id > 0));
            picture.porosity_percent = Some(percent(|id| id > 0));
            picture.coarse_only_percent = Some(percent(|id| id == 1));
        }
        Kind::Bodies => {
            let labels = Labels::from_ids(map);
            picture.mean_intercept_px = mean_intercept_px(&labels);
            picture.shows_grains = Some(true);
            picture.grains = Some(labels);
        }
        Kind::Grains { porosity_percent: stated, mean_intercept_px: intercept, visible } => {
            let labels = Labels::from_ids(map);
            let counted = (porosity_percent(&labels), mean_intercept_px(&labels));
            agree(&picture.name, counted.0, *stated)?;
            agree(&picture.name, counted.1.unwrap_or(0.0), intercept.unwrap_or(0.0))?;
            picture.porosity_percent = Some(counted.0);
            picture.pores = Some(labels.grid.map(|id| id == 0));
            picture.shows_grains = Some(*visible);
            picture.mean_intercept_px = counted.1.filter(|_| *visible);
            picture.grains = visible.then_some(labels);
        }
    }
    Ok(())
}

fn agree(name: &str, counted: f64, stated: f64) -> Result<(), String> {
    if (counted - stated).abs() <= 1e-6 * stated.abs().max(1.0) {
        return Ok(());
    }
    Err(format!("{name}: its label map gives {counted}, its truth file says {stated}"))
}

/// A picture of one channel as numbers.
trait MapToIds {
    fn map_to_ids(self) -> Result<Grid<u32>, ceramograph::error::Error>;
}

impl<T: image::Primitive + Into<u32>> MapToIds for image::ImageBuffer<image::Luma<T>, Vec<T>>
where
    image::Luma<T>: image::Pixel<Subpixel = T>,
{
    fn map_to_ids(self) -> Result<Grid<u32>, ceramograph::error::Error> {
        let (width, height) = (self.width() as usize, self.height() as usize);
        Grid::new(width, height, self.into_raw().into_iter().map(Into::into).collect())
    }
}
