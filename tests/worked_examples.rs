//! Worked examples of the standards' methods, recomputed by hand; the sections named are those of the method notes.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ceramograph::grid::Frame;
use ceramograph::measure::grain_number::{from_mean_area_um2, from_mean_intercept_um, mean_intercept_um};
use ceramograph::measure::region::Region;
use ceramograph::options::Surface;
use ceramograph::scale::{Scale, ScaleSource};
use ceramograph::statistics::interval::mean_interval;
use ceramograph::study::result::{
    Field, FieldRows, Grade, Grain, InterceptResults, PictureCheck, Pore, PorePlace, SegmentationDoubt,
    Specimen,
};
use ceramograph::study::specimen::{Sizes, specimen};
use ceramograph::units::Length;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

/// A field of 1000 x 1000 px at `um_per_px`, or without a scale.
fn field(file: &str, um_per_px: Option<f64>) -> Field {
    let scale = |um: f64| Scale {
        um_per_px: um,
        um_per_px_x: um,
        um_per_px_y: um,
        source: ScaleSource::PixelSize,
        detail: String::new(),
        relative_uncertainty: 0.0,
        bar: None,
        confirmed_by: Vec::new(),
    };
    Field {
        file: file.to_owned(),
        page: None,
        sha256: String::new(),
        width_px: 1000,
        height_px: 1000,
        bits_per_sample: 8,
        specimen: "rings".to_owned(),
        surface: None,
        frame: Frame { x: 0, y: 0, width: 1000, height: 1000 },
        info_strip: None,
        scale: um_per_px.map(scale),
        bar_reading: None,
        picture_check: PictureCheck { grade: Grade::Use, findings: Vec::new() },
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
        warnings: Vec::new(),
        overlay: None,
        rows: FieldRows::default(),
    }
}

fn region(equivalent_diameter: f64, touches_frame: bool) -> Region {
    Region {
        label: 1,
        area_px: 1,
        area: 1.0,
        centroid_x_px: 0.0,
        centroid_y_px: 0.0,
        bounding_box: Frame { x: 0, y: 0, width: 1, height: 1 },
        equivalent_diameter,
        perimeter: 1.0,
        feret_max: 1.0,
        feret_min: 1.0,
        orientation_deg: 0.0,
        solidity: 1.0,
        touches_frame,
    }
}

/// Three circles of 500 µm in all on each of five fields.
fn three_circle_fields() -> Vec<Field> {
    [82, 91, 77, 88, 85]
        .into_iter()
        .map(|count: u64| Field {
            mean_linear_intercept_um: Some(500.0 / count as f64),
            intercept_count: Some(count),
            ..field("f.tif", Some(0.1))
        })
        .collect()
}

fn summarised(fields: &[Field], surface: Option<Surface>) -> Specimen {
    let sizes: Vec<Sizes> = fields.iter().map(Sizes::of).collect();
    let fields: Vec<&Field> = fields.iter().collect();
    specimen("rings", &fields, &sizes, BTreeMap::new(), surface)
}

fn codes(specimen: &Specimen) -> Vec<Cow<'static, str>> {
    specimen.warnings.iter().map(|w| w.code.clone()).collect()
}

#[test]
fn three_circle_example() {
    // After the method of ASTM E112 (three circles): counts 82, 91, 77, 88, 85 on 500 µm each.
    let specimen = summarised(&three_circle_fields(), None);
    let found = specimen.mean_linear_intercept_um.unwrap();
    close(found.mean, 5.9299, 5e-5);
    close(found.pooled, 5.9102, 5e-5);
    close(found.standard_deviation.unwrap(), 0.3870, 5e-5);
    close(found.ci95_high.unwrap() - found.mean, 0.4805, 5e-5);
    close(found.mean - found.ci95_low.unwrap(), 0.4805, 5e-5);
    close(found.relative_accuracy_percent.unwrap(), 8.10, 0.005);
    assert_eq!((found.field_count, found.more_fields_for_10_percent), (5, Some(0)));
    let number = specimen.astm_grain_number.unwrap();
    close(number.value, 11.51, 0.005);
    // Bounds are mapped through the formula: log₁₀ of 6.4104 and 5.4494 µm in mm is -2.19312 and -2.26365.
    close(number.ci95_low.unwrap(), 11.2828, 2e-4);
    close(number.ci95_high.unwrap(), 11.7514, 2e-4);
    assert!(specimen.mean_linear_intercept_px.is_none() && specimen.warnings.is_empty());
}

#[test]
fn doubt_about_boundaries_widens_the_interval_and_does_not_shrink_with_fields() {
    let doubtful = |relative_deviation| InterceptResults {
        sets: Vec::new(),
        mean: Length::Um(5.9),
        standard_error: None,
        segmentation: Some(SegmentationDoubt {
            expected_count: 85.0,
            ambiguity: 0.1,
            correction: 1.0,
            relative_deviation,
            ci95_low: Length::Um(5.6),
            ci95_high: Length::Um(6.2),
        }),
        anisotropy: None,
        chords: None,
        three_dimensional: None,
    };
    let mut fields = three_circle_fields();
    assert!(summarised(&fields, None).intercept_segmentation.is_none());
    for (field, deviation) in fields.iter_mut().zip([0.02, 0.03, 0.025, 0.02, 0.03]) {
        field.intercepts = Some(doubtful(deviation));
    }
    // By hand: exp(1.96 · 0.025) = 1.05022; √(0.4805² + (0.05022 · 5.9299)²) above, √(0.4805² + (0.04782 · 5.9299)²) below.
    let found = summarised(&fields, None);
    let doubt = found.intercept_segmentation.unwrap();
    close(doubt.relative_deviation, 0.025, 1e-12);
    close(doubt.ci95_high.unwrap() - 5.9299, 0.5653, 2e-4);
    close(5.9299 - doubt.ci95_low.unwrap(), 0.5580, 2e-4);
    let one = summarised(&fields[2..3], None).intercept_segmentation.unwrap();
    assert_eq!((one.relative_deviation, one.ci95_low, one.ci95_high), (0.025, None, None));
    fields[0].intercepts.as_mut().unwrap().segmentation = None;
    assert!(summarised(&fields, None).intercept_segmentation.is_none(), "unknown in one field");
}

#[test]
fn point_count_example() {
    // After the method of ASTM E562: hits out of 100 points on ten fields.
    let hits = [12.0, 15.0, 9.0, 14.0, 11.0, 13.0, 10.0, 16.0, 12.0, 8.0];
    let found = mean_interval(&hits).unwrap();
    close(found.mean, 12.0, 1e-12);
    close(found.standard_deviation.unwrap(), 2.5820, 5e-5);
    close(found.half_width.unwrap(), 1.8470, 5e-5);
    close(found.relative_accuracy_percent().unwrap(), 15.39, 0.005);
    // The rule n·(%RA/10)² says 24 fields; with t of the larger sample 21 do, so 11 more.
    close((found.relative_accuracy_percent().unwrap() / 10.0).powi(2) * 10.0, 23.7, 0.05);
    assert_eq!(found.more_fields_for(10.0), Some(11));
}

#[test]
fn area_fraction_example() {
    // After the method of ASTM E1245: pore area in percent on five fields.
    let fields: Vec<Field> = [4.2, 5.1, 3.8, 4.9, 4.6]
        .into_iter()
        .map(|porosity| Field { porosity_percent: Some(porosity), ..field("f.tif", None) })
        .collect();
    let found = summarised(&fields, None).porosity_percent.unwrap();
    close(found.mean, 4.520, 5e-4);
    close(found.standard_deviation.unwrap(), 0.5263, 5e-5);
    close(found.ci95_high.unwrap() - found.mean, 0.6535, 5e-5);
    close(found.relative_accuracy_percent.unwrap(), 14.46, 0.005);
    close(found.pooled, found.mean, 1e-12);
}

#[test]
fn pooled_porosity_weighs_by_area() {
    let small = Field {
        porosity_percent: Some(2.0),
        frame: Frame { x: 0, y: 0, width: 500, height: 500 },
        ..field("a.tif", None)
    };
    let large = Field { porosity_percent: Some(6.0), ..field("b.tif", None) };
    let found = summarised(&[small, large], None).porosity_percent.unwrap();
    close(found.mean, 4.0, 1e-12);
    close(found.pooled, (2.0 * 0.25 + 6.0) / 1.25, 1e-12);
}

#[test]
fn grain_size_number_table() {
    // Table of ASTM E112 as recomputed: G, mean grain area in µm², mean intercept in µm.
    let table = [
        (-1.0, 258064.0, 452.5),
        (0.0, 129032.0, 320.0),
        (0.5, 91239.0, 269.1),
        (1.0, 64516.0, 226.3),
        (2.0, 32258.0, 160.0),
        (3.0, 16129.0, 113.1),
        (4.0, 8065.0, 80.0),
        (5.0, 4032.0, 56.6),
        (6.0, 2016.0, 40.0),
        (7.0, 1008.0, 28.3),
        (8.0, 504.0, 20.0),
        (9.0, 252.0, 14.1),
        (10.0, 126.0, 10.0),
        (11.0, 63.0, 7.07),
        (12.0, 31.5, 5.00),
        (13.0, 15.8, 3.54),
        (14.0, 7.88, 2.50),
        (15.0, 3.94, 1.77),
        (16.0, 1.97, 1.25),
    ];
    for (number, area, intercept) in table {
        // Printed with three digits, an intercept is good to 0.35 % and G to 0.01.
        close(from_mean_intercept_um(intercept).unwrap(), number, 0.011);
        close(from_mean_area_um2(area).unwrap(), number, 0.006);
        close(mean_intercept_um(number) / intercept, 1.0, 0.0035);
        close(from_mean_intercept_um(mean_intercept_um(number)).unwrap(), number, 0.0004);
    }
    for bad in [0.0, -3.0, f64::NAN, f64::INFINITY] {
        assert!(from_mean_intercept_um(bad).is_none() && from_mean_area_um2(bad).is_none());
    }
}

#[test]
fn a_diameter_in_the_intercept_equation_is_a_third_of_a_number_off() {
    // The stated trap: d = √A = 359.2 µm is G = 0; the intercept's constant 3.288 instead of 2.954 makes it -0.334.
    let diameter = 129_032f64.sqrt();
    close(from_mean_intercept_um(diameter).unwrap(), -0.334, 0.001);
    // The table's ratio of intercept to diameter is 0.8908, the circle's is √(π/4) = 0.8862: 0.015 G apart.
    close(mean_intercept_um(0.0) / diameter, 0.89084, 2e-5);
    let circle = from_mean_intercept_um(diameter * (std::f64::consts::PI / 4.0).sqrt()).unwrap();
    close(circle, 0.0150, 4e-4);
}

#[test]
fn one_field_has_no_interval_and_says_so() {
    let specimen = summarised(&three_circle_fields()[..1], None);
    let found = specimen.mean_linear_intercept_um.as_ref().unwrap();
    assert!(found.ci95_low.is_none() && found.standard_deviation.is_none());
    assert!(found.more_fields_for_10_percent.is_none() && found.relative_accuracy_percent.is_none());
    assert!(specimen.astm_grain_number.as_ref().unwrap().ci95_low.is_none());
    assert_eq!(codes(&specimen), ["one-field-no-interval"]);
    let none = summarised(&[], None);
    assert!(none.porosity_percent.is_none() && none.grain_size.is_none() && none.warnings.is_empty());
}

#[test]
fn fields_with_and_without_a_scale_are_never_mixed() {
    let mut fields = three_circle_fields();
    let bare =
        Field { mean_linear_intercept_px: Some(60.0), intercept_count: Some(80), ..field("bare.tif", None) };
    fields.push(bare);
    let mixed = summarised(&fields, None);
    close(mixed.mean_linear_intercept_um.as_ref().unwrap().mean, 5.9299, 5e-5);
    assert!(mixed.mean_linear_intercept_px.is_none());
    assert_eq!(codes(&mixed), ["mixed-scales"]);
    assert!(mixed.warnings[0].message.contains("bare.tif"), "{}", mixed.warnings[0].message);
    let unscaled = summarised(&fields[5..], None);
    assert!(unscaled.mean_linear_intercept_um.is_none() && unscaled.astm_grain_number.is_none());
    close(unscaled.mean_linear_intercept_px.as_ref().unwrap().mean, 60.0, 0.0);
}

#[test]
fn unlike_scales_and_unfit_fields_are_named() {
    let mut fields = vec![field("a.tif", Some(0.02)), field("b.tif", Some(0.1))];
    fields[1].picture_check.grade = Grade::DoNotUse;
    let specimen = summarised(&fields, None);
    assert_eq!(codes(&specimen), ["scales-differ", "unfit-fields"]);
    assert!(specimen.warnings[1].message.contains("b.tif"));
    assert_eq!(specimen.field_count, 2);
}

#[test]
fn the_grain_size_number_is_withheld_where_there_is_no_section() {
    for surface in [Surface::AsFired, Surface::Fracture] {
        assert!(summarised(&three_circle_fields(), Some(surface)).astm_grain_number.is_none());
        let mut fields = three_circle_fields();
        fields[0].surface = Some(surface);
        assert!(summarised(&fields, None).astm_grain_number.is_none());
    }
    assert!(summarised(&three_circle_fields(), Some(Surface::ThermallyEtched)).astm_grain_number.is_some());
}

#[test]
fn grains_pores_and_chords_of_all_fields_go_together() {
    let mut fields = vec![field("a.tif", Some(0.1)), field("b.tif", Some(0.1)), field("bare.tif", None)];
    for (i, field) in fields.iter_mut().enumerate() {
        let grain = |diameter: f64, touches_frame| Grain {
            region: region(diameter, touches_frame),
            neighbours: 6,
            boundary_strength: 1.0,
        };
        field.rows.grains = vec![grain(2.0 + i as f64, false), grain(9.0, true)];
        let pore = Pore { region: region(0.5, false), place: PorePlace::Unknown, pull_out: false };
        field.rows.pores = vec![pore];
        field.rows.chords = vec![1.5, 2.5];
    }
    let specimen = summarised(&fields, None);
    let grains = specimen.grain_size.unwrap();
    // One whole grain of each field with a scale; those cut by the frame and the field without a scale stay out.
    assert_eq!((grains.count, grains.mean.um()), (2, Some(2.5)));
    assert_eq!(specimen.grain_size_histogram.unwrap().counts.iter().sum::<u64>(), 2);
    assert_eq!(specimen.pore_size.unwrap().count, 2);
    assert_eq!(specimen.chords.unwrap().count, 4);
}
