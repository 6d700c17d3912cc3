//! A study that nobody measured: alumina seal rings of an invented laboratory, for developing reports against.
//! Each test file uses a part of it.
#![allow(dead_code)]

use std::collections::BTreeMap;

use ceramograph::grid::Frame;
use ceramograph::measure::region::Region;
use ceramograph::micrograph::InfoStrip;
use ceramograph::options::{Options, PoreMethod, Surface};
use ceramograph::scale::{Bar, BarReading, BarStyle, LabelReading, Scale, ScaleSource};
use ceramograph::study::result::*;
use ceramograph::units::{Area, Length};
use ceramograph::warning::Warning;

const FRAME: Frame = Frame { x: 0, y: 0, width: 1024, height: 704 };

/// Names that break careless reports.
pub const HOSTILE: [&str; 6] = [
    "=HYPERLINK(\"http://x\",\"y\").png",
    "<script>alert('1')</script> & \"rings\".tif",
    "a,b;\tc\r\nd.png",
    "ring\u{202e}gnp.exe",
    "@SUM(A1)/\u{1b}[31mred.png",
    "焼結 \u{fffe}Ring's.tif",
];

/// A fixed sequence of numbers that look random.
struct Sequence(u64);

impl Sequence {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }

    fn lognormal(&mut self, median: f64, geometric_standard_deviation: f64) -> f64 {
        median * (self.normal() * geometric_standard_deviation.ln()).exp()
    }
}

/// Three firings, three fields each.
pub fn study() -> Study {
    let firings = [
        ("1500 °C, 2 h", 1500, 6.8, 2.9),
        ("1550 °C, 2 h", 1550, 4.1, 4.2),
        ("1600 °C, 2 h", 1600, 2.3, 6.6),
    ];
    let mut sequence = Sequence(7);
    let mut fields = Vec::new();
    let mut specimens = Vec::new();
    for (name, celsius, porosity, intercept) in firings {
        let of_specimen: Vec<Field> =
            (1..=3).map(|number| field(name, number, (porosity, intercept), &mut sequence)).collect();
        specimens.push(specimen(name, celsius, &of_specimen));
        fields.extend(of_specimen);
    }
    Study {
        schema_version: 1,
        tool: Tool { name: "ceramograph".into(), version: "0.1.0".into() },
        options: options(),
        fields,
        failures: vec![Failure {
            file: "1600 °C, 2 h/ring-c-4.tif".into(),
            page: None,
            error: "the file ends after 1 of 2 strips; copy it from the microscope again".into(),
        }],
        specimens,
        warnings: vec![Warning::new(
            "pixel-sizes-differ",
            "fields were taken at 0.05 and 0.08 µm per px, so their smallest countable pores differ; compare with care",
        )],
    }
}

/// The same study with names of [`HOSTILE`], and a field and a failure on a page.
pub fn hostile_study() -> Study {
    let mut study = study();
    for (i, specimen) in study.specimens.iter_mut().enumerate() {
        for field in study.fields.iter_mut().filter(|field| field.specimen == specimen.name) {
            field.specimen = HOSTILE[i].to_owned();
        }
        specimen.name = HOSTILE[i].to_owned();
        specimen.firing.insert("=1+1".into(), "<b>hot</b>".into());
    }
    for (i, field) in study.fields.iter_mut().enumerate() {
        field.file = HOSTILE[i % HOSTILE.len()].to_owned();
        field.page = Some(i as u32 + 1);
        field.overlay = Some(format!("overlays/{}", HOSTILE[1]));
        field.warnings.push(Warning::new("no-scale", HOSTILE[1]));
    }
    study.failures[0].file = HOSTILE[1].to_owned();
    study.failures[0].page = Some(2);
    study.warnings.push(Warning::new("overlap", HOSTILE[1]));
    study
}

/// One field and one specimen of which nothing is known.
pub fn unknown_study() -> Study {
    let field = Field {
        file: "black.png".into(),
        page: None,
        sha256: "0".repeat(64),
        width_px: 1,
        height_px: 1,
        bits_per_sample: 8,
        specimen: "black".into(),
        surface: None,
        frame: Frame { x: 0, y: 0, width: 1, height: 1 },
        info_strip: None,
        scale: None,
        bar_reading: None,
        picture_check: PictureCheck { grade: Grade::Use, findings: vec![] },
        porosity_percent: None,
        porosity_without_pull_out_percent: None,
        pore_count: None,
        grain_count: None,
        mean_linear_intercept_um: None,
        mean_linear_intercept_px: None,
        intercept_count: None,
        astm_grain_number: None,
        pores: None,
        grains: None,
        intercepts: None,
        warnings: vec![],
        overlay: None,
        rows: FieldRows::default(),
    };
    let specimen = Specimen {
        name: "black".into(),
        firing: BTreeMap::new(),
        surface: None,
        field_count: 1,
        porosity_percent: None,
        mean_linear_intercept_um: None,
        mean_linear_intercept_px: None,
        intercept_segmentation: None,
        astm_grain_number: None,
        grain_size: None,
        grain_size_histogram: None,
        pore_size: None,
        pore_size_histogram: None,
        chords: None,
        coarse: None,
        populations: None,
        warnings: vec![],
    };
    Study {
        schema_version: 1,
        tool: Tool { name: "ceramograph".into(), version: "0.1.0".into() },
        options: Options::default(),
        fields: vec![field],
        failures: vec![],
        specimens: vec![specimen],
        warnings: vec![],
    }
}

/// The study in px: no field has a scale.
pub fn unscaled_study() -> Study {
    let mut sequence = Sequence(11);
    let mut fields: Vec<Field> = (1..=2).map(|n| field("unscaled", n, (5.0, 3.0), &mut sequence)).collect();
    for field in &mut fields {
        strip_scale(field);
    }
    let mut specimen = specimen("unscaled", 1500, &fields);
    specimen.mean_linear_intercept_px = specimen.mean_linear_intercept_um.take();
    specimen.astm_grain_number = None;
    specimen.grain_size = specimen.grain_size.map(in_px);
    specimen.pore_size = specimen.pore_size.map(in_px);
    specimen.chords = specimen.chords.map(in_px);
    specimen.grain_size_histogram = specimen.grain_size.as_ref().map(|sizes| sizes.histogram.clone());
    specimen.pore_size_histogram = specimen.pore_size.as_ref().map(|sizes| sizes.histogram.clone());
    Study { fields, specimens: vec![specimen], failures: vec![], ..study() }
}

/// The same sizes, taken for pixels.
fn in_px(mut sizes: Distribution) -> Distribution {
    let px = |length: &mut Length| *length = Length::Px(length.value());
    px(&mut sizes.mean);
    if let Some(deviation) = &mut sizes.standard_deviation {
        px(deviation);
    }
    if let Some(fit) = &mut sizes.lognormal {
        px(&mut fit.median);
    }
    for percentiles in [&mut sizes.percentiles, &mut sizes.area_weighted_percentiles] {
        let Percentiles { p10, p25, p50, p75, p90 } = percentiles;
        [p10, p25, p50, p75, p90].into_iter().for_each(px);
    }
    sizes.histogram.bin_edges_px = sizes.histogram.bin_edges_um.take();
    sizes
}

fn strip_scale(field: &mut Field) {
    let px = |length: Length| Length::Px(length.value());
    field.scale = None;
    field.mean_linear_intercept_px = field.mean_linear_intercept_um.take();
    field.astm_grain_number = None;
    if let Some(pores) = &mut field.pores {
        pores.smallest_counted = px(pores.smallest_counted);
        pores.integral_range = Some(Area::Px2(40.0));
        pores.diameters = None;
        pores.unfolded = None;
    }
    if let Some(intercepts) = &mut field.intercepts {
        intercepts.mean = px(intercepts.mean);
        intercepts.three_dimensional = None;
        intercepts.chords = None;
        for set in &mut intercepts.sets {
            set.line_length = px(set.line_length);
            set.length_in_pores = px(set.length_in_pores);
            set.mean = set.mean.map(px);
        }
    }
    if let Some(grains) = &mut field.grains {
        grains.mean_equivalent_diameter = grains.mean_equivalent_diameter.map(px);
        grains.mean_area = Some(Area::Px2(4.0));
        grains.boundary_area_per_volume_per_um = None;
        grains.diameters = None;
        grains.populations = None;
    }
}

fn options() -> Options {
    Options {
        pores: PoreMethod::MinimumError,
        scale_bar: Some("10um".into()),
        surface: Some(Surface::ThermallyEtched),
        ..Options::default()
    }
}

fn scale() -> Scale {
    Scale {
        um_per_px: 0.05,
        um_per_px_x: 0.05,
        um_per_px_y: 0.05,
        source: ScaleSource::ScaleBar,
        detail: "10 µm printed, bar of 200.0 px found in the info strip".into(),
        relative_uncertainty: 0.0025,
        confirmed_by: Vec::new(),
        bar: Some(Bar {
            left_px: 760.0,
            right_px: 960.0,
            row_px: 735.0,
            style: BarStyle::Solid,
            uncertainty_px: 0.5,
        }),
    }
}

fn bar_reading() -> BarReading {
    let frame = Frame { x: 820, y: 712, width: 70, height: 14 };
    let label = LabelReading { text: "10 µm".into(), length_um: 10.0, probability: 0.98, frame };
    let bar = scale().bar.expect("a bar");
    BarReading { bar, confidence: 0.95, label: Some(label), doubt: None }
}

fn field(specimen: &str, number: u32, (porosity, intercept): (f64, f64), sequence: &mut Sequence) -> Field {
    let porosity = porosity + 0.3 * sequence.normal();
    let intercept = intercept * (1.0 + 0.04 * sequence.normal());
    let rows = rows(porosity, intercept, sequence);
    let doubtful = number == 3;
    let warnings = if doubtful {
        vec![Warning::new(
            "threshold-rules-disagree",
            "the automatic rules differ by 1.6 points of porosity; look at the overlay before using the number",
        )]
    } else {
        vec![]
    };
    let intercept_count = (35_000.0 / intercept) as u64;
    Field {
        file: format!("{specimen}/ring-{number}.tif"),
        page: None,
        sha256: format!("{:064x}", u128::from(sequence.0)),
        width_px: 1024,
        height_px: 768,
        bits_per_sample: 8,
        specimen: specimen.into(),
        surface: Some(Surface::ThermallyEtched),
        frame: FRAME,
        info_strip: Some(InfoStrip { first_row_px: 704, rows_px: 64 }),
        scale: Some(scale()),
        bar_reading: Some(bar_reading()),
        picture_check: picture_check(doubtful),
        porosity_percent: Some(porosity),
        porosity_without_pull_out_percent: Some(porosity - 0.21),
        pore_count: Some(rows.pores.len() as u64),
        grain_count: Some(rows.grains.len() as u64),
        mean_linear_intercept_um: Some(intercept),
        mean_linear_intercept_px: None,
        intercept_count: Some(intercept_count),
        astm_grain_number: Some(grain_number(intercept)),
        pores: Some(pore_results(porosity, &rows)),
        grains: Some(grain_results(intercept, &rows)),
        intercepts: Some(intercept_results(intercept, intercept_count, &rows)),
        warnings,
        overlay: Some(format!("overlays/ring-{number}.png")),
        rows,
    }
}

/// After the method of ASTM E112: G = -6.643856 log10(mean intercept in mm) - 3.288 (from memory).
fn grain_number(intercept_um: f64) -> f64 {
    -6.643856 * (intercept_um / 1000.0).log10() - 3.288
}

fn rows(porosity: f64, intercept: f64, sequence: &mut Sequence) -> FieldRows {
    let area = 1024.0 * 704.0 * 0.0025;
    let grain_count = (area / (intercept * intercept * 1.35)) as u32;
    let grains = (1..=grain_count)
        .map(|label| Grain {
            region: region(label, sequence.lognormal(1.1 * intercept, 1.5), sequence),
            neighbours: 4 + label % 4,
            boundary_strength: 0.4 + 0.5 * sequence.uniform(),
        })
        .collect();
    let places = [PorePlace::AtJunction, PorePlace::OnBoundary, PorePlace::InsideGrain];
    let pores = (1..=(porosity * 40.0) as u32)
        .map(|label| Pore {
            region: region(label, sequence.lognormal(0.8, 1.6), sequence),
            place: places[label as usize % 3],
            pull_out: label % 50 == 0,
        })
        .collect();
    FieldRows { pores, grains, chords: (0..400).map(|_| sequence.lognormal(intercept, 1.7) as f32).collect() }
}

fn region(label: u32, diameter: f64, sequence: &mut Sequence) -> Region {
    let area = std::f64::consts::PI * diameter * diameter / 4.0;
    let (x, y) = (1024.0 * sequence.uniform(), 704.0 * sequence.uniform());
    Region {
        label,
        area_px: (area / 0.0025).round().max(1.0) as u64,
        area,
        centroid_x_px: x,
        centroid_y_px: y,
        bounding_box: Frame { x: x as usize, y: y as usize, width: 1, height: 1 },
        equivalent_diameter: diameter,
        perimeter: 3.5 * diameter,
        feret_max: 1.2 * diameter,
        feret_min: 0.9 * diameter,
        orientation_deg: 180.0 * sequence.uniform() - 90.0,
        solidity: 0.93,
        touches_frame: label.is_multiple_of(9),
    }
}

fn picture_check(doubtful: bool) -> PictureCheck {
    let finding = |name: &'static str, value, unit: &'static str| Finding {
        name: name.into(),
        value,
        unit: unit.into(),
        grade: Grade::Use,
        advice: None,
    };
    let mut findings = vec![
        finding("shading", 4.2, "percent"),
        finding("saturation", 0.1, "percent"),
        finding("charging-stripes", 0.3, "percent"),
        finding("focus", 1.9, "px"),
        finding("noise", 3.1, "percent"),
        finding("pixels-per-grain", 84.0, "px"),
        finding("grains-in-field", 143.0, "grains"),
        finding("overlap", 0.0, "percent"),
    ];
    let mut grade = Grade::Use;
    if doubtful {
        grade = Grade::UseWithWarning;
        findings[0].grade = grade;
        findings[0].value = 31.0;
        findings[0].advice =
            Some("the light falls off to one side: centre the condenser, or record a blank picture".into());
    }
    PictureCheck { grade, findings }
}

fn pore_results(porosity: f64, rows: &FieldRows) -> PoreResults {
    let whole: Vec<f64> =
        rows.pores.iter().filter(|p| !p.region.touches_frame).map(|p| p.region.equivalent_diameter).collect();
    let places = ["at-junction", "on-boundary", "inside-grain"];
    let rule = |method: &str, shift: f64| RuleResult {
        method: method.into(),
        grey_level: Some(88.0 + 10.0 * shift),
        porosity_percent: Some(porosity + shift),
    };
    PoreResults {
        threshold: ThresholdReport {
            reason: None,
            method: "minimum-error".into(),
            grey_level: Some(88.0),
            automatic: true,
            pore_mean_grey: Some(31.4),
            solid_mean_grey: Some(148.2),
        },
        background: Background { shading_percent: 11.2, removed: true },
        sensitivity: Some(ThresholdSensitivity {
            shift_grey_levels: Some(5.8),
            porosity_low_percent: porosity - 0.22,
            porosity_high_percent: porosity + 0.31,
        }),
        rules: vec![rule("minimum-error", 0.0), rule("otsu", 0.9), rule("kapur", -0.4)],
        rule_spread_points: Some(1.3),
        smallest_counted_px: 12,
        smallest_counted: Length::Um(0.195),
        dropped_area_percent: 0.03,
        standard_error_points: Some(0.37),
        integral_range: Some(Area::Um2(6.1)),
        pull_out_count: rows.pores.iter().filter(|p| p.pull_out).count() as u64,
        pull_out_percent: 0.21,
        count_by_place: places.map(|place| (place.to_owned(), rows.pores.len() as u64 / 3)).into(),
        percent_by_place: places.map(|place| (place.to_owned(), porosity / 3.0)).into(),
        diameters: distribution(&whole),
        mean_form_factor: Some(0.83),
        unfolded: Some(Unfolded {
            class_width: Length::Um(0.4),
            sections_per_area: vec![21000.0, 30500.0, 9100.0],
            spheres_per_volume: vec![-4.1e6, 2.2e7, 8.8e6],
            mean_sphere_diameter: Some(Length::Um(0.92)),
        }),
    }
}

fn grain_results(intercept: f64, rows: &FieldRows) -> GrainResults {
    let whole: Vec<f64> = rows
        .grains
        .iter()
        .filter(|g| !g.region.touches_frame)
        .map(|g| g.region.equivalent_diameter)
        .collect();
    GrainResults {
        boundaries: "learned".into(),
        boundaries_reason: Some("the default".into()),
        mean_boundary_strength: 0.61,
        whole_grain_count: whole.len() as u64,
        mean_area: Some(Area::Um2(1.4 * intercept * intercept)),
        mean_equivalent_diameter: Some(Length::Um(1.19 * intercept)),
        mean_equivalent_diameter_unweighted: Some(Length::Um(1.15 * intercept)),
        diameter_to_intercept_ratio: Some(1.19),
        mean_aspect_ratio: Some(0.74),
        mean_neighbours: Some(5.8),
        boundary_area_per_volume_per_um: Some(2.0 / intercept),
        diameters: distribution(&whole),
        coarse: Some(coarse()),
        populations: Some(populations(intercept)),
    }
}

fn coarse() -> CoarseTail {
    CoarseTail { times_median: 2.5, count_percent: 1.8, area_percent: 11.4, largest_over_mean: 3.1 }
}

fn populations(intercept: f64) -> Populations {
    Populations {
        bic_one_minus_two: -4.0,
        two_populations: false,
        medians: [Length::Um(0.9 * intercept), Length::Um(1.6 * intercept)],
        coarser_percent: 17.0,
    }
}

fn intercept_results(intercept: f64, count: u64, rows: &FieldRows) -> InterceptResults {
    let chords: Vec<f64> = rows.chords.iter().map(|&c| f64::from(c)).collect();
    let set = |kind: &'static str, angle_deg, share: f64| LineSet {
        kind: kind.into(),
        angle_deg,
        line_length: Length::Um(share * count as f64 * intercept * 1.05),
        length_in_pores: Length::Um(share * count as f64 * intercept * 0.05),
        intercept_count: (share * count as f64) as u64,
        mean: Some(Length::Um(intercept * (0.98 + 0.2 * share))),
    };
    InterceptResults {
        sets: vec![
            set("parallel", Some(0.0), 0.3),
            set("parallel", Some(45.0), 0.2),
            set("parallel", Some(90.0), 0.25),
            set("parallel", Some(135.0), 0.2),
            set("circles", None, 0.05),
        ],
        mean: Length::Um(intercept),
        standard_error: Some(Length::Um(0.02 * intercept)),
        segmentation: Some(SegmentationDoubt {
            expected_count: count as f64,
            ambiguity: 0.08,
            correction: 0.98,
            relative_deviation: 0.02,
            ci95_low: Length::Um(intercept / 1.04),
            ci95_high: Length::Um(1.04 * intercept),
        }),
        anisotropy: Some(1.04),
        chords: distribution(&chords),
        three_dimensional: Some(ThreeDimensional {
            factor: 1.56,
            basis: "tetrakaidecahedral grains of lognormal size (Mendelson 1969)".into(),
            diameter: Length::Um(1.56 * intercept),
        }),
    }
}

/// Moments, percentiles and classes of `sizes`, in µm.
fn distribution(sizes: &[f64]) -> Option<Distribution> {
    let mut sorted = sizes.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len() as f64;
    let mean = sorted.iter().sum::<f64>() / n;
    let deviation = (sorted.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let logs: Vec<f64> = sorted.iter().map(|s| s.ln()).collect();
    let mean_log = logs.iter().sum::<f64>() / n;
    let deviation_log = (logs.iter().map(|l| (l - mean_log).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    Some(Distribution {
        count: sorted.len() as u64,
        mean: Length::Um(mean),
        standard_deviation: Some(Length::Um(deviation)),
        percentiles: percentiles(&sorted, |_| 1.0),
        area_weighted_percentiles: percentiles(&sorted, |s| s * s),
        lognormal: Some(Lognormal {
            median: Length::Um(mean_log.exp()),
            geometric_standard_deviation: deviation_log.exp(),
            kolmogorov_distance: 0.02,
        }),
        histogram: histogram(&sorted),
    })
}

fn percentiles(sorted: &[f64], weight: impl Fn(f64) -> f64) -> Percentiles {
    let total: f64 = sorted.iter().map(|&s| weight(s)).sum();
    let at = |share: f64| {
        let mut sum = 0.0;
        let found = sorted.iter().find(|&&s| {
            sum += weight(s);
            sum >= share * total
        });
        Length::Um(found.copied().unwrap_or(0.0))
    };
    Percentiles { p10: at(0.1), p25: at(0.25), p50: at(0.5), p75: at(0.75), p90: at(0.9) }
}

fn histogram(sorted: &[f64]) -> Histogram {
    let (low, high) = (sorted[0].ln(), sorted[sorted.len() - 1].ln());
    let classes = 14;
    let edges: Vec<f64> =
        (0..=classes).map(|i| (low + (high - low) * f64::from(i) / f64::from(classes)).exp()).collect();
    let mut counts = vec![0; classes as usize];
    for &size in sorted {
        let class = edges[1..].iter().take_while(|&&edge| edge <= size).count();
        counts[class.min(classes as usize - 1)] += 1;
    }
    Histogram { bin_edges_um: Some(edges), bin_edges_px: None, counts }
}

fn specimen(name: &str, celsius: u32, fields: &[Field]) -> Specimen {
    let pool =
        |sizes: fn(&Field) -> Vec<f64>| distribution(&fields.iter().flat_map(sizes).collect::<Vec<f64>>());
    let grain_size = pool(|f| f.rows.grains.iter().map(|g| g.region.equivalent_diameter).collect());
    let pore_size = pool(|f| f.rows.pores.iter().map(|p| p.region.equivalent_diameter).collect());
    let intercepts: Vec<f64> =
        fields.iter().filter_map(|f| f.mean_linear_intercept_um.or(f.mean_linear_intercept_px)).collect();
    let intercept = estimate(&intercepts);
    let number = GrainNumber {
        value: grain_number(intercept.mean),
        ci95_low: intercept.ci95_high.map(grain_number),
        ci95_high: intercept.ci95_low.map(grain_number),
    };
    Specimen {
        name: name.into(),
        firing: [("peak temperature, °C", celsius.to_string()), ("hold, h", "2".into())]
            .map(|(head, value)| (head.to_owned(), value))
            .into(),
        surface: Some(Surface::ThermallyEtched),
        field_count: fields.len() as u64,
        porosity_percent: Some(estimate(
            &fields.iter().filter_map(|f| f.porosity_percent).collect::<Vec<f64>>(),
        )),
        mean_linear_intercept_px: None,
        intercept_segmentation: Some(SpecimenSegmentation {
            relative_deviation: 0.02,
            ci95_low: intercept.ci95_low.map(|low| low - 0.02 * intercept.mean),
            ci95_high: intercept.ci95_high.map(|high| high + 0.02 * intercept.mean),
        }),
        astm_grain_number: Some(number),
        grain_size_histogram: grain_size.as_ref().map(|d| d.histogram.clone()),
        pore_size_histogram: pore_size.as_ref().map(|d| d.histogram.clone()),
        chords: pool(|f| f.rows.chords.iter().map(|&c| f64::from(c)).collect()),
        coarse: Some(coarse()),
        populations: Some(populations(intercept.mean)),
        mean_linear_intercept_um: Some(intercept),
        grain_size,
        pore_size,
        warnings: vec![],
    }
}

/// The t-interval of 2 or 3 values; t(0.975) = 12.706 and 4.303 from any table.
fn estimate(values: &[f64]) -> Estimate {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let half = if values.len() == 2 { 12.706 } else { 4.303 } * deviation / n.sqrt();
    Estimate {
        mean,
        pooled: mean * 0.998,
        standard_deviation: Some(deviation),
        ci95_low: Some(mean - half),
        ci95_high: Some(mean + half),
        relative_accuracy_percent: Some(100.0 * half / mean),
        field_count: values.len() as u64,
        more_fields_for_10_percent: Some(2),
    }
}
