//! Reports of an invented study. What they look like is written to the target folder, for a person to look at.

mod invented_study;

mod shared_pictures;

use std::path::PathBuf;

use ceramograph::grid::{Frame, Grid, Labels};
use ceramograph::measure::test_line::TestLine;
use ceramograph::micrograph::Grey;
use ceramograph::report::html::FieldPictures;
use ceramograph::report::overlay::{self, OverlayView};
use ceramograph::report::{csv, figure, html, table};
use ceramograph::scale::{Bar, BarStyle};
use invented_study::{HOSTILE, hostile_study, study, unknown_study, unscaled_study};
use shared_pictures::shared_micrographs;

/// Keeps a report where a person can look at it.
fn keep(name: &str, bytes: impl AsRef<[u8]>) {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn figures_have_column_width_and_the_same_bytes_every_time() {
    let study = study();
    for (i, specimen) in study.specimens.iter().enumerate() {
        let grains = figure::grain_size_histogram(specimen).unwrap();
        assert_eq!(grains, figure::grain_size_histogram(specimen).unwrap());
        assert!(grains.contains("width=\"85mm\""));
        let pores = figure::pore_size_histogram(specimen).unwrap();
        let png = figure::png(&grains, 300).unwrap();
        assert_eq!(png, figure::png(&grains, 300).unwrap());
        assert_eq!(image::load_from_memory(&png).unwrap().width(), 1004, "85 mm at 300 dpi");
        keep(&format!("grain-size-{i}.svg"), &grains);
        keep(&format!("grain-size-{i}.png"), &png);
        keep(&format!("pore-size-{i}.png"), figure::png(&pores, 300).unwrap());
        let chords = figure::chord_histogram(specimen).unwrap();
        assert!(!chords.contains("area"), "chords have none");
        keep(&format!("chords-{i}.png"), figure::png(&chords, 300).unwrap());
    }
    let overview = figure::overview(&study).unwrap();
    keep("overview.png", figure::png(&overview, 200).unwrap());
}

/// Grains of a label picture, and the dark spots between them as pores.
fn labels_of(path: &std::path::Path) -> (Labels, Labels) {
    let picture = image::open(path).unwrap().into_luma16();
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let grains =
        Labels::from_ids(Grid::new(width, height, picture.iter().map(|&v| u32::from(v)).collect()).unwrap());
    let pores = grains.grid.map(|label| u32::from(label == 0));
    (grains, Labels { grid: pores, count: 1 })
}

#[test]
fn an_overlay_of_a_rendered_picture_can_be_looked_at() {
    let Some(shared) = shared_micrographs() else {
        eprintln!("left out: the shared pictures are not there; set CERAMOGRAPH_SHARED to their folder");
        return;
    };
    for look in ["etched_2", "channelling_2", "optical_2"] {
        let grey = image::open(shared.join(format!("rendered/{look}.png"))).unwrap().into_luma8();
        let (width, height) = (grey.width() as usize, grey.height() as usize);
        let (grains, pores) = labels_of(&shared.join(format!("rendered/{look}.labels.png")));
        let frame = Frame { x: 0, y: 0, width, height: height - 64 };
        let crop = |labels: &Labels| Labels { grid: labels.grid.cropped(frame), count: labels.count };
        let (grains, pores) = (crop(&grains), crop(&pores));
        let bar = Bar {
            left_px: 700.5,
            right_px: 900.5,
            row_px: height as f64 - 30.0,
            style: BarStyle::Solid,
            uncertainty_px: 0.5,
        };
        let lines = [
            TestLine::Straight { from: (0.0, 200.0), to: (1023.0, 200.0) },
            TestLine::Circle { centre: (512.0, 350.0), radius: 250.0 },
        ];
        let view = OverlayView {
            pores: Some(&pores),
            pull_out: &[look == "optical_2"],
            grains: Some(&grains),
            likely: None,
            frame,
            bar: Some(&bar),
            lines: if look == "etched_2" { &lines } else { &[] },
        };
        let picture =
            overlay::overlay(&Grey::Eight(Grid::new(width, height, grey.into_raw()).unwrap()), &view);
        keep(&format!("overlay-{look}.png"), overlay::png(&picture));
        keep(&format!("thumbnail-{look}.jpg"), overlay::thumbnail(&picture, 480));
    }
}

/// A number that looks random.
fn noise(x: usize, y: usize) -> usize {
    let mixed = (x * 374_761_393 + y * 668_265_263) as u32;
    let mixed = (mixed ^ (mixed >> 13)).wrapping_mul(1_274_126_177);
    (mixed >> 16) as usize
}

#[test]
fn a_large_overlay_is_drawn_and_packed() {
    let side = 4096;
    let grey = Grey::Eight(Grid::from_fn(side, side, |x, y| {
        (noise(x, y) % 21 + (x / 40 * 37 + y / 40 * 59) % 90 + 70) as u8
    }));
    let grains =
        Labels { grid: Grid::from_fn(side, side, |x, y| (y / 40 * 103 + x / 40) as u32 + 1), count: 10609 };
    let pores =
        Labels { grid: Grid::from_fn(side, side, |x, y| u32::from(x % 40 < 6 && y % 40 < 6)), count: 1 };
    let view = OverlayView {
        pores: Some(&pores),
        pull_out: &[],
        grains: Some(&grains),
        likely: None,
        frame: Frame { x: 0, y: 0, width: side, height: side },
        bar: None,
        lines: &[],
    };
    let start = std::time::Instant::now();
    let picture = overlay::overlay(&grey, &view);
    let drawn = start.elapsed();
    let bytes = overlay::png(&picture);
    let packed = start.elapsed() - drawn;
    let small = overlay::thumbnail(&picture, 480);
    let reduced = start.elapsed() - drawn - packed;
    eprintln!(
        "4096 x 4096: drawn in {drawn:?}, packed in {packed:?} ({} bytes), reduced in {reduced:?} ({} bytes)",
        bytes.len(),
        small.len()
    );
    assert!(small.len() < 200_000);
}

/// A drawn section with pores at some corners, as its overlay.
fn drawn_overlay(seed: usize) -> overlay::Overlay {
    let (width, height) = (640, 480);
    let seeds: Vec<(i64, i64)> =
        (0..150).map(|i| ((noise(i, seed) % 640) as i64, (noise(seed + 7, i) % 440) as i64)).collect();
    let nearest = Grid::from_fn(width, 440, |x, y| {
        let distance = |&(sx, sy): &(i64, i64)| (sx - x as i64).pow(2) + (sy - y as i64).pow(2);
        seeds.iter().enumerate().min_by_key(|(_, s)| distance(s)).map_or(0, |(i, _)| i as u32 + 1)
    });
    let pore_at = |x: usize, y: usize| {
        (0..40usize).find(|&i| {
            let (px, py) = (noise(i, seed + 99) % 640, noise(seed + 98, i) % 440);
            (px.abs_diff(x).pow(2) + py.abs_diff(y).pow(2)) < (3 + i % 9).pow(2)
        })
    };
    let pores = Labels {
        grid: Grid::from_fn(width, 440, |x, y| pore_at(x, y).map_or(0, |i| i as u32 + 1)),
        count: 40,
    };
    let grains = Grid::from_fn(width, 440, |x, y| if pores.grid.at(x, y) > 0 { 0 } else { nearest.at(x, y) });
    let grey = Grid::from_fn(width, height, |x, y| {
        if y >= 440 {
            return 24;
        }
        let shade = 120 + noise(nearest.at(x, y) as usize, 3) % 70 + noise(x, y) % 24;
        (if pores.grid.at(x, y) > 0 { 30 } else { shade }) as u8
    });
    let view = OverlayView {
        pores: Some(&pores),
        pull_out: &[false, false, false, false, false, false, false, true],
        grains: Some(&Labels { grid: grains, count: 150 }),
        likely: None,
        frame: Frame { x: 0, y: 0, width, height: 440 },
        bar: Some(&Bar {
            left_px: 480.0,
            right_px: 600.0,
            row_px: 462.0,
            style: BarStyle::Solid,
            uncertainty_px: 0.5,
        }),
        lines: &[],
    };
    overlay::overlay(&Grey::Eight(grey), &view)
}

#[test]
fn the_page_stands_alone_and_says_everything() {
    let study = study();
    let side = html::thumbnail_side(study.fields.len());
    let pictures: Vec<FieldPictures> = (0..study.fields.len())
        .map(|i| FieldPictures { overlay: Some(overlay::thumbnail(&drawn_overlay(i), side)), bar: None })
        .collect();
    let page = html::page(&study, &pictures);
    keep("report.html", &page);
    assert_eq!(page, html::page(&study, &pictures));
    for outside in ["<script", "<link", "<iframe", " src=\"http", "url(", "@import", "javascript:"] {
        assert!(!page.contains(outside), "{outside}");
    }
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), 9);
    assert_eq!(
        page.matches("<table>").count(),
        page.matches("<caption>").count(),
        "every table says what it holds"
    );
    assert_eq!(page.matches("<th>").count(), 0, "every head says what it heads");
    for said in [
        "Kittler and Illingworth 1986",
        "parallel lines at 0°, 45°, 90°, 135° and concentric circles",
        "1.56 (tetrakaidecahedral grains of lognormal size (Mendelson 1969))",
        "over 8 neighbours",
        "centre the condenser",
        "Furnaces and kilns",
        "thermally etched",
        "copy it from the microscope again",
    ] {
        assert!(page.contains(said), "{said}");
    }
    assert!(page.len() < 2_000_000, "{}", page.len());
}

#[test]
fn what_is_not_known_is_a_dash_or_nothing() {
    let study = unknown_study();
    let page = html::page(&study, &[]);
    keep("report-unknown.html", &page);
    assert!(!page.contains("NaN") && page.contains('–'));
    assert!(figure::grain_size_histogram(&study.specimens[0]).is_none());
    assert!(figure::overview(&study).is_none());
    assert_eq!(table::field_line(&study.fields[0]), "black.png: porosity unknown; grains unknown");
    let rows = parsed(&csv::fields(&study));
    let of = |head: &str| rows[1][rows[0].iter().position(|cell| cell == head).unwrap()].clone();
    for head in ["porosity_percent", "pore_count", "mean_linear_intercept_um", "um_per_px", "surface", "page"]
    {
        assert_eq!(of(head), "", "{head}");
    }
    assert_eq!(parsed(&csv::intercepts(&study)).len(), 1);
    let nobody = ceramograph::study::result::Study { fields: vec![], specimens: vec![], ..study };
    html::page(&nobody, &[]);
    table::specimens(&nobody, 80);
}

#[test]
fn rows_of_many_grains_are_written_in_a_fraction_of_a_second() {
    let mut field = study().fields.remove(0);
    field.rows.grains = field.rows.grains.iter().cycle().take(20_000).cloned().collect();
    let start = std::time::Instant::now();
    let bytes = csv::grains(&field);
    eprintln!("20 000 grains: {} bytes in {:?}", bytes.len(), start.elapsed());
    assert_eq!(parsed(&bytes).len(), 20_000);
}

fn parsed(bytes: &[u8]) -> Vec<Vec<String>> {
    let mut reader = ::csv::ReaderBuilder::new().has_headers(false).flexible(false).from_reader(bytes);
    reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
}

#[test]
fn tables_hold_every_field_pore_grain_and_line() {
    let study = study();
    let fields = parsed(&csv::fields(&study));
    assert_eq!(fields.len(), 10);
    let column = fields[0].iter().position(|head| head == "mean_linear_intercept_um").unwrap();
    assert_eq!(fields[1][column].parse().ok(), study.fields[0].mean_linear_intercept_um, "no digit is lost");
    assert_eq!(parsed(&csv::intercepts(&study)).len(), 1 + 9 * 5);
    let field = &study.fields[4];
    for (name, head, rows, count) in [
        ("pores.csv", csv::pores_header(), csv::pores(field), field.rows.pores.len()),
        ("grains.csv", csv::grains_header(), csv::grains(field), field.rows.grains.len()),
    ] {
        let bytes = [head, rows].concat();
        keep(name, &bytes);
        assert!(bytes.ends_with(b"\r\n"));
        let rows = parsed(&bytes);
        assert_eq!(rows.len(), count + 1);
        let at = |head: &str| rows[0].iter().position(|cell| cell == head).unwrap();
        assert!(rows[1][at("area_um2")].parse::<f64>().unwrap() > 0.0);
        assert_eq!(rows[1][at("area_px2")], "", "a field with a scale has no lengths in px");
    }
    keep("fields.csv", csv::fields(&study));
}

#[test]
fn fields_without_a_scale_fill_the_px_columns() {
    let study = unscaled_study();
    let rows = parsed(&[csv::grains_header(), csv::grains(&study.fields[0])].concat());
    let at = |head: &str| rows[0].iter().position(|cell| cell == head).unwrap();
    assert_eq!(rows[1][at("equivalent_diameter_um")], "");
    assert!(rows[1][at("equivalent_diameter_px")].parse::<f64>().unwrap() > 0.0);
    let page = html::page(&study, &[]);
    keep("report-unscaled.html", &page);
    assert!(page.contains("2 micrographs had no scale and were measured in pixels"));
    assert!(table::specimens(&study, 100).contains("px"));
    for figure in [figure::grain_size_histogram, figure::pore_size_histogram, figure::chord_histogram] {
        let svg = figure(&study.specimens[0]).unwrap();
        assert!(svg.contains(", px") && !svg.contains("µm"));
    }
}

#[test]
fn hostile_names_are_harmless_everywhere() {
    let study = hostile_study();
    let thumbnail = overlay::thumbnail(&drawn_overlay(1), 100);
    let pictures = FieldPictures { overlay: Some(thumbnail), bar: None };
    let page = html::page(&study, &vec![pictures; study.fields.len()]);
    keep("report-hostile.html", &page);
    for raw in ["<script", "<b>hot", "\u{202e}", "\u{1b}", "\u{fffe}", "alert('1')"] {
        assert!(!page.contains(raw), "{raw:?} stands in the page");
    }
    assert!(page.contains("href=\"./overlays/%3Cscript%3E"));
    for specimen in &study.specimens {
        let svg = figure::grain_size_histogram(specimen).unwrap();
        figure::png(&svg, 96).expect("the figure is well-formed XML");
        assert!(!svg.contains("<script") && !svg.contains('\u{202e}'));
    }
    figure::png(&figure::overview(&study).unwrap(), 96).expect("the overview is well-formed XML");
    for field in &study.fields {
        let line = table::field_line(field);
        assert!(!line.contains(char::is_control) && !line.contains('\u{202e}'), "{line:?}");
    }
    let shown = table::specimens(&study, 100);
    assert!(!shown.contains(['\u{1b}', '\r', '\t', '\u{202e}']));
    for bytes in [
        csv::fields(&study),
        csv::intercepts(&study),
        [csv::pores_header(), csv::pores(&study.fields[0])].concat(),
        [csv::grains_header(), csv::grains(&study.fields[4])].concat(),
    ] {
        for row in parsed(&bytes) {
            let harmless = |cell: &String| {
                cell.parse::<f64>().is_ok() || !cell.starts_with(['=', '+', '-', '@', '\t', '\r'])
            };
            assert!(row.iter().all(harmless), "{row:?}");
        }
    }
    let rows = parsed(&csv::fields(&study));
    assert_eq!(rows[3][1], HOSTILE[2], "a name with comma, line end and tab is read back as it was");
}

#[test]
fn the_terminal_table_fits_its_width() {
    for width in [72, 100, 140] {
        let shown = table::specimens(&study(), width);
        eprintln!("{shown}\n");
        assert!(shown.lines().all(|line| line.chars().count() <= usize::from(width).max(88)));
        assert!(shown.contains("1550 °C") && shown.contains("±"));
    }
    let study = study();
    eprintln!("{}\n{}", table::field_line(&study.fields[0]), table::field_line(&study.fields[2]));
}

#[test]
fn the_methods_say_only_what_was_done() {
    let page = html::page(&study(), &[]);
    assert!(page.contains("Size distributions hold") && !page.contains("The operator set the grey level"));
    let mut study = unscaled_study();
    study.fields.truncate(1);
    study.specimens[0].field_count = 1;
    study.specimens[0].porosity_percent.as_mut().unwrap().ci95_low = None;
    let field = &mut study.fields[0];
    field.surface = Some(ceramograph::options::Surface::Fracture);
    field.grains = None;
    let pores = field.pores.as_mut().unwrap();
    pores.threshold.method = "fixed".into();
    pores.threshold.automatic = false;
    pores.background.removed = false;
    let page = html::page(&study, &[]);
    for said in [
        "a grey level typed by the operator",
        "The operator set the grey level",
        "The surfaces were fracture",
        "no random plane sections",
        "Specimens with a single micrograph have no interval",
        "one field: none",
    ] {
        assert!(page.contains(said), "{said}");
    }
    for unsaid in
        ["watershed", "Uneven background was removed", "The pixel size was", "Grain size numbers follow"]
    {
        assert!(!page.contains(unsaid), "{unsaid}");
    }
}

#[test]
fn distributions_that_cannot_be_drawn_give_no_figure() {
    let specimen = || study().specimens.remove(0);
    let with = |change: fn(&mut ceramograph::study::result::Distribution)| {
        let mut specimen = specimen();
        change(specimen.grain_size.as_mut().unwrap());
        figure::grain_size_histogram(&specimen)
    };
    assert!(with(|sizes| sizes.histogram.counts.fill(0)).is_none());
    assert!(
        with(|sizes| sizes.histogram.bin_edges_um = Some(vec![2.0; sizes.histogram.counts.len() + 1]))
            .is_none()
    );
    assert!(with(|sizes| sizes.histogram.bin_edges_um = None).is_none());
    assert!(with(|sizes| sizes.histogram.counts.truncate(3)).is_none());
    assert!(with(|sizes| sizes.histogram.bin_edges_um.as_mut().unwrap()[3] = f64::NAN).is_none());
    // Evenly wide classes from zero, a single class, and no fit are all drawn.
    let even = with(|sizes| {
        sizes.histogram.bin_edges_um =
            Some((0..=sizes.histogram.counts.len()).map(|i| i as f64 * 0.8).collect());
    });
    keep("even-classes.png", figure::png(&even.unwrap(), 300).unwrap());
    assert!(
        with(|sizes| {
            sizes.histogram.bin_edges_um = Some(vec![1.0, 3.0]);
            sizes.histogram.counts = vec![5];
            sizes.lognormal = None;
            sizes.standard_deviation = None;
        })
        .is_some()
    );
}

#[test]
fn any_number_of_threads_draws_the_same_bytes() {
    let drawn = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let drawn = drawn_overlay(5);
            (overlay::png(&drawn), overlay::thumbnail(&drawn, 200))
        })
    };
    assert_eq!(drawn(1), drawn(3));
}
