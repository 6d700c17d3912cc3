//! Body and firing against worked examples. Where a value comes from stands beside it.

use ceramograph::body::agreement::{Method, PicturePorosity, compare};
use ceramograph::body::archimedes::Weighings;
use ceramograph::body::liquid::{AIR_DENSITY_G_CM3, water_density_g_cm3};
use ceramograph::body::readings::{Reading, Readings, Size};
use ceramograph::body::result::{Body, body};
use ceramograph::body::shape::relative_density_after_shrinkage;
use ceramograph::body::value::Value;
use ceramograph::firing::exponential_integral::scaled_e1;
use ceramograph::firing::programme::{Programme, ROOM_TEMPERATURE_C, Segment};
use ceramograph::firing::thermal_work::{GAS_CONSTANT_J_MOL_K, thermal_work};
use ceramograph::phantom::truth::Truth;
use ceramograph::statistics::interval::mean_interval;
use ceramograph::study::sheet::{self, columns::Quantity};
use proptest::prelude::*;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF as _, Normal};

fn reading(value: f64, standard_uncertainty: f64) -> Option<Reading> {
    Some(Reading { value, standard_uncertainty })
}

fn exact(value: f64) -> Option<Reading> {
    reading(value, 0.0)
}

fn near(got: f64, want: f64, within: f64) {
    assert!((got - want).abs() <= within, "{got} instead of {want} ± {within}");
}

/// Worked example D of our notes: m1 20.000, m2 15.100, m3 20.400 g (arithmetic checked by hand and with NumPy).
const EXAMPLE_D: Weighings = Weighings { dry_g: 20.0, suspended_g: 15.1, saturated_g: 20.4 };

#[test]
fn worked_example_d() {
    near(EXAMPLE_D.bulk_density_g_cm3(0.9982, 0.0).unwrap(), 3.7668, 5e-5);
    near(EXAMPLE_D.bulk_density_g_cm3(0.9982, AIR_DENSITY_G_CM3).unwrap(), 3.7635, 5e-5);
    near(EXAMPLE_D.bulk_density_g_cm3(0.9970, 0.0).unwrap(), 3.7623, 5e-5);
    near(EXAMPLE_D.apparent_solid_density_g_cm3(0.9982, 0.0).unwrap(), 4.0743, 5e-5);
    near(EXAMPLE_D.open_porosity_percent().unwrap(), 7.547, 5e-4);
    near(EXAMPLE_D.liquid_uptake_percent().unwrap(), 2.0, 1e-12);
}

#[test]
fn the_whole_way_from_readings_gives_the_same_and_its_uncertainty() {
    let readings = Readings {
        theoretical_density_g_cm3: exact(3.987),
        dry_mass_g: reading(20.0, 0.001),
        suspended_mass_g: reading(15.1, 0.002),
        saturated_mass_g: reading(20.4, 0.003),
        liquid_density_g_cm3: exact(0.9982),
        ..Readings::default()
    };
    let body = body(&readings);
    let density = body.archimedes_density_g_cm3.unwrap();
    near(density.value, 3.7635, 5e-5);
    // By hand: relative uncertainty of m1/(m3 - m2) is √((0.001/20)² + (0.002² + 0.003²)/5.3²), of 3.7635 - 0.0012.
    let want = 3.76226 * (5e-5f64.powi(2) + 1.3e-5 / 5.3f64.powi(2)).sqrt();
    near(density.standard_uncertainty, want, 1e-3 * want);
    // By hand: π = (m3 - m1)/(m3 - m2); ∂/∂m1 = -1/5.3, ∂/∂m2 = 0.4/5.3², ∂/∂m3 = 4.9/5.3².
    let terms = [0.001 / 5.3, 0.002 * 0.4 / 28.09, 0.003 * 4.9 / 28.09];
    let want = 100.0 * terms.iter().map(|t| t * t).sum::<f64>().sqrt();
    near(body.open_porosity_percent.unwrap().standard_uncertainty, want, 1e-3 * want);
    let (total, open) = (body.archimedes_porosity_percent.unwrap(), body.open_porosity_percent.unwrap());
    near(total.value, 100.0 * (1.0 - density.value / 3.987), 1e-9);
    near(body.closed_porosity_percent.unwrap().value, total.value - open.value, 1e-9);
    assert!(body.closed_porosity_percent.unwrap().value < 0.0);
    assert!(body.warnings.iter().any(|w| w.code == "closed-porosity-below-zero"), "{:?}", body.warnings);
}

#[test]
fn propagated_uncertainty_is_the_scatter_of_simulated_readings() {
    let uncertain = |value: f64, share: f64| reading(value, share * value);
    let mut readings = Readings {
        theoretical_density_g_cm3: uncertain(3.987, 0.002),
        fired_mass_g: uncertain(5.607, 2e-4),
        fired: Size {
            outer_diameter_mm: uncertain(25.52, 8e-4),
            inner_diameter_mm: uncertain(16.67, 1.2e-3),
            height_mm: uncertain(5.27, 4e-3),
        },
        dry_mass_g: uncertain(5.607, 2e-4),
        suspended_mass_g: uncertain(4.139, 3e-4),
        saturated_mass_g: uncertain(5.678, 2e-4),
        water_temperature_c: reading(21.4, 1.0),
        ..Readings::default()
    };
    let results = |body: &Body| {
        [
            body.geometrical_porosity_percent,
            body.archimedes_density_g_cm3,
            body.open_porosity_percent,
            body.closed_porosity_percent,
        ]
        .map(Option::unwrap)
    };
    let propagated = results(&body(&readings));
    let sound = readings;
    let mut random = ChaCha8Rng::seed_from_u64(18754);
    let normal = Normal::standard();
    let mut scattered = |reading: &mut Option<Reading>| {
        let r = reading.as_mut().unwrap();
        r.value += r.standard_uncertainty * normal.inverse_cdf(random.random_range(1e-12..1.0));
    };
    const STUDIES: usize = 20_000;
    let mut sums = [[0.0; 2]; 4];
    for _ in 0..STUDIES {
        readings = sound;
        scattered(&mut readings.theoretical_density_g_cm3);
        scattered(&mut readings.fired_mass_g);
        scattered(&mut readings.fired.outer_diameter_mm);
        scattered(&mut readings.fired.inner_diameter_mm);
        scattered(&mut readings.fired.height_mm);
        scattered(&mut readings.dry_mass_g);
        scattered(&mut readings.suspended_mass_g);
        scattered(&mut readings.saturated_mass_g);
        scattered(&mut readings.water_temperature_c);
        for ((sum, result), centre) in sums.iter_mut().zip(results(&body(&readings))).zip(propagated) {
            let off = result.value - centre.value;
            sum[0] += off;
            sum[1] += off * off;
        }
    }
    let n = STUDIES as f64;
    for (sum, want) in sums.into_iter().zip(propagated) {
        let scatter = ((sum[1] - sum[0] * sum[0] / n) / (n - 1.0)).sqrt();
        println!("propagated {}, simulated {scatter}", want.standard_uncertainty);
        // A standard deviation from n values is itself good to 1/√(2n) = 0.5 %; four of those.
        near(scatter / want.standard_uncertainty, 1.0, 0.02);
    }
}

#[test]
fn water_has_the_density_of_the_tables() {
    // kg/m³. First values: the formula of Tanaka et al. (2001) computed in NumPy. Second: an older published table, which
    // differs from that formula by up to 0.003 kg/m³ near 4 °C and at 30 °C (rounded up here to 0.004).
    for (celsius, formula, table) in [
        (4.0, 999.9749, Some(999.9720)),
        (10.0, 999.7027, Some(999.7026)),
        (15.0, 999.1026, Some(999.1026)),
        (18.0, 998.5984, None),
        (20.0, 998.2067, Some(998.2071)),
        (21.0, 997.9950, None),
        (22.0, 997.7730, Some(997.7735)),
        (23.0, 997.5408, None),
        (24.0, 997.2988, None),
        (25.0, 997.0470, Some(997.0479)),
        (26.0, 996.7857, None),
        (28.0, 996.2353, None),
        (30.0, 995.6488, Some(995.6502)),
    ] {
        let got = 1000.0 * water_density_g_cm3(celsius).unwrap();
        near(got, formula, 6e-5);
        if let Some(table) = table {
            near(got, table, 4e-3);
        }
    }
    assert!(water_density_g_cm3(-0.1).is_none() && water_density_g_cm3(41.0).is_none());
}

proptest! {
    /// Identities of the method with water at 1 g/cm³ and no buoyancy: P = A·B and B = T·(1 - P/100).
    #[test]
    fn weighings_keep_the_identities_of_the_method(dry in 1.0..100.0f64, loss in 0.2..0.8f64, uptake in 0.0..0.2f64) {
        let weighings =
            Weighings { dry_g: dry, suspended_g: dry * loss, saturated_g: dry * (1.0 + uptake) };
        let bulk = weighings.bulk_density_g_cm3(1.0, 0.0).unwrap();
        let solid = weighings.apparent_solid_density_g_cm3(1.0, 0.0).unwrap();
        let open = weighings.open_porosity_percent().unwrap();
        let uptake = weighings.liquid_uptake_percent().unwrap();
        prop_assert!((open - uptake * bulk).abs() < 1e-9 * (1.0 + open));
        prop_assert!((bulk - solid * (1.0 - open / 100.0)).abs() < 1e-9 * bulk);
        // With buoyancy the second one holds for densities above that of air.
        let air = AIR_DENSITY_G_CM3;
        let bulk = weighings.bulk_density_g_cm3(0.998, air).unwrap() - air;
        let solid = weighings.apparent_solid_density_g_cm3(0.998, air).unwrap() - air;
        prop_assert!((bulk - solid * (1.0 - open / 100.0)).abs() < 1e-9 * bulk);
    }

    /// Sizes and masses after an even shrinkage give the density that the shrinkage formula gives.
    #[test]
    fn sizes_and_shrinkage_give_one_density(green in 0.4..0.65f64, shrinkage in 0.0..0.2f64, loss in 0.0..0.1f64) {
        let size = |scale: f64| Size {
            outer_diameter_mm: exact(30.0 * scale),
            inner_diameter_mm: exact(19.6 * scale),
            height_mm: exact(6.2 * scale),
        };
        let volume = std::f64::consts::FRAC_PI_4 * (30.0f64.powi(2) - 19.6f64.powi(2)) * 6.2 / 1000.0;
        let mass = 4.0 * green * volume;
        let readings = Readings {
            theoretical_density_g_cm3: exact(4.0),
            green_mass_g: exact(mass),
            green: size(1.0),
            fired_mass_g: exact(mass * (1.0 - loss)),
            fired: size(1.0 - shrinkage),
            ..Readings::default()
        };
        let body = body(&readings);
        let want = 100.0 * relative_density_after_shrinkage(green, shrinkage, loss).unwrap();
        prop_assert!((body.fired_relative_density_percent.unwrap().value - want).abs() < 1e-9 * want);
        prop_assert!((body.green_relative_density_percent.unwrap().value - 100.0 * green).abs() < 1e-9);
        for linear in [
            body.outer_diameter_shrinkage_percent,
            body.inner_diameter_shrinkage_percent,
            body.height_shrinkage_percent,
        ] {
            prop_assert!((linear.unwrap().value - 100.0 * shrinkage).abs() < 1e-9);
        }
        let volume = 100.0 * (1.0 - (1.0 - shrinkage).powi(3));
        prop_assert!((body.volume_shrinkage_percent.unwrap().value - volume).abs() < 1e-9);
        prop_assert!((body.mass_loss_percent.unwrap().value - 100.0 * loss).abs() < 1e-9);
    }
}

#[test]
fn shrinkage_gives_the_densities_of_the_examples() {
    // ρ₀/(1 - ε)³, computed in NumPy; full density from 0.55 needs ε = 1 - 0.55^(1/3) = 18.068 %.
    for (green, shrinkage, want) in
        [(0.55, 0.15, 0.89558), (0.60, 0.12, 0.88045), (0.50, 0.20, 0.976_562), (0.55, 0.18068, 1.0)]
    {
        near(relative_density_after_shrinkage(green, shrinkage, 0.0).unwrap(), want, 1e-5);
    }
    near(relative_density_after_shrinkage(0.5, 0.2, 0.02).unwrap(), 0.98 * 0.976_562_5, 1e-12);
    assert!(relative_density_after_shrinkage(0.5, 1.0, 0.0).is_none());
}

#[test]
fn a_press_reading_of_250_kgf_on_a_10_mm_die_is_about_31_mpa() {
    // Common practice, no source: 250 kgf = 2451.7 N over 78.54 mm² is 31.2 MPa.
    let readings = Readings {
        pressing_force_kn: reading(250.0 * 9.80665e-3, 0.02 * 250.0 * 9.80665e-3),
        die_diameter_mm: exact(10.0),
        die_inner_diameter_mm: exact(0.0),
        ..Readings::default()
    };
    let pressure = body(&readings).pressing_pressure_mpa.unwrap();
    near(pressure.value, 31.2, 0.05);
    near(pressure.standard_uncertainty, 0.02 * pressure.value, 1e-9);
}

fn porosity(archimedes: Option<Value>, open: Option<Value>) -> Body {
    Body {
        archimedes_porosity_percent: archimedes,
        open_porosity_percent: open,
        ..body(&Readings::default())
    }
}

#[test]
fn pictures_and_weighing_agree_within_their_intervals_or_not() {
    let value = |value, standard_uncertainty| Some(Value { value, standard_uncertainty });
    let weighed = porosity(value(5.0, 0.2), value(3.0, 0.1));
    let pictures = |mean_percent, half_width_points| {
        compare(&PicturePorosity { mean_percent, half_width_points }, &weighed)
    };
    // √(0.3² + 0.4²) = 0.5.
    let found = pictures(5.4, Some(0.3));
    assert_eq!(
        found.iter().map(|c| c.method).collect::<Vec<_>>(),
        [Method::Archimedes, Method::ArchimedesOpen]
    );
    assert_eq!((found[0].agree, found[1].agree), (Some(true), Some(true)));
    near(found[0].half_width_points.unwrap(), 0.5, 1e-12);
    assert!(found[0].usual_reasons.is_empty());
    let high = pictures(5.6, Some(0.3));
    assert_eq!(high[0].agree, Some(false));
    assert!(high[0].usual_reasons[0].contains("pulled out"), "{:?}", high[0].usual_reasons);
    let low = pictures(2.0, Some(0.3));
    assert_eq!((low[0].agree, low[1].agree), (Some(false), Some(false)));
    assert!(low[0].usual_reasons.iter().any(|reason| reason.contains("resin")));
    assert!(pictures(5.4, None).iter().all(|c| c.agree.is_none() && c.usual_reasons.is_empty()));
    assert!(
        compare(&PicturePorosity { mean_percent: 5.0, half_width_points: None }, &porosity(None, None))
            .is_empty()
    );
}

#[test]
fn results_survive_json() {
    let readings = Readings {
        dry_mass_g: reading(20.0, 0.001),
        green_mass_g: reading(21.0, 0.001),
        ..Readings::default()
    };
    let before = body(&readings);
    let text = serde_json::to_string(&before).unwrap();
    assert_eq!(serde_json::from_str::<Body>(&text).unwrap(), before);
    assert!(text.contains("\"fired_density_g_cm3\":null"));
    let work = thermal_work(&ramp_and_hold(5.0, 1500.0, 120.0), 485.0).unwrap();
    assert_eq!(serde_json::from_value::<_>(serde_json::to_value(&work).unwrap()).ok(), Some(work));
}

fn ramp_and_hold(rate: f64, target_c: f64, hold_min: f64) -> Programme {
    let segment = Segment { ramp_rate_k_min: Some(rate), target_c, hold_min: Some(hold_min) };
    Programme { start_c: ROOM_TEMPERATURE_C, segments: vec![segment] }
}

#[test]
fn ramps_take_the_time_that_arithmetic_gives() {
    near(ramp_and_hold(5.0, 1450.0, 0.0).duration_min().unwrap() / 60.0, 4.75, 1e-12);
    // Common practice, no source: about 6 h from room temperature to 1110 °C at 3 K/min.
    near(ramp_and_hold(3.0, 1110.0, 0.0).duration_min().unwrap() / 60.0, 6.0, 0.05);
    let programme = Programme {
        start_c: 25.0,
        segments: vec![
            Segment { ramp_rate_k_min: Some(1.0), target_c: 600.0, hold_min: Some(60.0) },
            Segment { ramp_rate_k_min: Some(5.0), target_c: 1450.0, hold_min: Some(120.0) },
            Segment { ramp_rate_k_min: Some(10.0), target_c: 800.0, hold_min: Some(0.0) },
        ],
    };
    let times: Vec<_> =
        programme.segment_times().iter().map(|t| (t.ramp_min.unwrap(), t.hold_min.unwrap())).collect();
    assert_eq!(times, [(575.0, 60.0), (170.0, 120.0), (65.0, 0.0)]);
    assert_eq!(programme.duration_min(), Some(990.0));
    assert_eq!(programme.peak_c(), 1450.0);
    // Above 1200 °C: 250 K at 5 K/min, the hold, 250 K at 10 K/min.
    near(programme.minutes_above(1200.0).unwrap(), 50.0 + 120.0 + 25.0, 1e-9);
    assert_eq!(programme.minutes_above(1451.0), Some(0.0));
    assert_eq!(programme.minutes_above(1450.0), Some(120.0));
    assert_eq!(programme.minutes_above(0.0), Some(990.0));
    let mut unknown = programme.clone();
    unknown.segments[0].hold_min = None;
    assert_eq!(
        (unknown.duration_min(), unknown.minutes_above(900.0)),
        (None, programme.minutes_above(900.0))
    );
    assert!(thermal_work(&unknown, 485.0).is_none());
}

#[test]
fn thermal_work_of_three_programmes_is_met_to_the_digits_given() {
    // Closed form and numerical integration in SciPy: Q in kJ/mol, K/min, °C, min; Θ of the ramp and of the hold, s/K.
    for (q, rate, target_c, hold, ramp_theta, hold_theta) in [
        (485.0, 5.0, 1500.0, 120.0, 1.828_928e-15, 2.096_096e-14),
        (485.0, 10.0, 1400.0, 60.0, 1.209_854e-16, 1.554_830e-15),
        (200.0, 5.0, 1100.0, 120.0, 1.602_857e-8, 1.293_484e-7),
    ] {
        let theta = |hold: f64| thermal_work(&ramp_and_hold(rate, target_c, hold), q).unwrap().theta_s_per_k;
        near(theta(0.0) / ramp_theta, 1.0, 5e-7);
        near((theta(hold) - theta(0.0)) / hold_theta, 1.0, 5e-7);
    }
    let work = thermal_work(&ramp_and_hold(5.0, 1500.0, 120.0), 485.0).unwrap();
    near(work.log10_theta, -13.64226, 5e-6);
    near(work.segment_log10_theta[0].unwrap(), work.log10_theta, 1e-12);
}

#[test]
fn thermal_work_is_the_integral_of_its_definition() {
    // Simpson's rule on ∫ (1/T)·exp(-Q/RT) dt, heating and cooling.
    let programme = Programme {
        start_c: 25.0,
        segments: vec![
            Segment { ramp_rate_k_min: Some(7.0), target_c: 1300.0, hold_min: Some(0.0) },
            Segment { ramp_rate_k_min: Some(3.0), target_c: 900.0, hold_min: Some(30.0) },
        ],
    };
    let over_r = 320_000.0 / GAS_CONSTANT_J_MOL_K;
    let integrand = |kelvin: f64| (-over_r / kelvin).exp() / kelvin;
    let simpson = |low: f64, high: f64, rate_k_min: f64| {
        let n = 20_000;
        let step = (high - low) / f64::from(n);
        let weight = |i: i32| {
            if i == 0 || i == n {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            }
        };
        let sum: f64 = (0..=n).map(|i| weight(i) * integrand(low + step * f64::from(i))).sum();
        sum * step / 3.0 / (rate_k_min / 60.0)
    };
    let want = simpson(298.15, 1573.15, 7.0) + simpson(1173.15, 1573.15, 3.0) + 1800.0 * integrand(1173.15);
    near(thermal_work(&programme, 320.0).unwrap().theta_s_per_k / want, 1.0, 1e-9);
}

#[test]
fn thermal_work_does_not_vanish_or_overflow() {
    // A hold at room temperature with a large Q: exp(-Q/RT) itself is zero in double precision.
    let cold = Programme {
        start_c: 25.0,
        segments: vec![Segment { ramp_rate_k_min: None, target_c: 25.0, hold_min: Some(1.0) }],
    };
    let work = thermal_work(&cold, 5000.0).unwrap();
    let want = (60.0f64 / 298.15).log10() - 5e6 / GAS_CONSTANT_J_MOL_K / 298.15 / std::f64::consts::LN_10;
    near(work.log10_theta, want, 1e-9);
    assert_eq!(work.theta_s_per_k, 0.0);
    for q in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(thermal_work(&ramp_and_hold(5.0, 1450.0, 120.0), q).is_none(), "{q}");
    }
    let still = Programme { start_c: 25.0, segments: vec![] };
    assert!(thermal_work(&still, 485.0).is_none());
    assert_eq!(still.duration_min(), Some(0.0));
}

#[test]
fn a_short_ramp_is_like_a_hold() {
    // 0.002 K in the middle of a hold of the same time: second order in the step, so alike to 1e-9 and better.
    let ramp = Programme {
        start_c: 1400.0,
        segments: vec![Segment { ramp_rate_k_min: Some(0.0002), target_c: 1400.002, hold_min: Some(0.0) }],
    };
    let hold = Programme {
        start_c: 1400.001,
        segments: vec![Segment { ramp_rate_k_min: None, target_c: 1400.001, hold_min: Some(10.0) }],
    };
    let ratio =
        thermal_work(&ramp, 485.0).unwrap().theta_s_per_k / thermal_work(&hold, 485.0).unwrap().theta_s_per_k;
    near(ratio, 1.0, 1e-7);
}

#[test]
fn the_exponential_integral_agrees_with_scipy() {
    let text = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/exponential_integral.json"
    ));
    let values: Vec<[f64; 2]> = serde_json::from_str(&text.unwrap()).unwrap();
    assert!(values.len() > 20);
    for [x, want] in values {
        near(scaled_e1(x).unwrap() / want, 1.0, 1e-12);
    }
    // Large x: eˣE1(x) = 1/x - 1/x² + 2/x³ - 6/x⁴ …, Abramowitz and Stegun 5.1.51 (from memory).
    let x = 1e5f64;
    near(scaled_e1(x).unwrap() * x, 1.0 - 1.0 / x + 2.0 / (x * x) - 6.0 / (x * x * x), 1e-15);
    for x in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(scaled_e1(x).is_none());
    }
}

#[test]
fn the_demonstration_sheet_is_sound_and_agrees_with_the_truth_of_its_pictures() {
    let samples = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    let sheet = sheet::read(&samples.join("specimens.csv")).unwrap();
    assert!(sheet.problems.is_empty(), "{:?}", sheet.problems);
    for (row, (closed_from, open)) in sheet.rows.iter().zip([(3.0, 4.6), (2.0, 0.9), (1.0, 0.2)]) {
        let truths: Vec<f64> = (1..=3)
            .map(|field| samples.join(format!("truth/{}/field-{field}.truth.json", row.specimen)))
            .map(|path| serde_json::from_str::<Truth>(&std::fs::read_to_string(path).unwrap()).unwrap())
            .map(|truth| truth.porosity_percent)
            .collect();
        let mean = mean_interval(&truths).unwrap();
        let pictures = PicturePorosity { mean_percent: mean.mean, half_width_points: mean.half_width };
        let (readings, assumed) = row.readings();
        assert_eq!(assumed, ["pressing_force_uncertainty", "liquid_temperature_uncertainty"]);
        let body = body(&readings);
        println!("{}: {}", row.specimen, serde_json::to_string_pretty(&body).unwrap());
        let found = compare(&pictures, &body);
        assert_eq!(found.len(), 3);
        assert!(found.iter().all(|c| c.agree == Some(true)), "{}: {found:?}", row.specimen);
        near(body.open_porosity_percent.unwrap().value, open, 0.05);
        assert!(body.closed_porosity_percent.unwrap().value > closed_from);
        near(body.pressing_pressure_mpa.unwrap().value, 80.0, 0.1);
        near(body.green_relative_density_percent.unwrap().value, 56.0, 0.2);
        let out_of_scope = body.warnings.iter().any(|w| w.code == "open-porosity-out-of-scope");
        assert_eq!(
            (out_of_scope, body.warnings.len()),
            (open < 0.5, usize::from(open < 0.5)),
            "{:?}",
            body.warnings
        );
        let programme = row.programme().unwrap();
        let want = (row.value(Quantity::PeakTemperature).unwrap() - 25.0) / 5.0 + 120.0;
        near(programme.duration_min().unwrap(), want, 1e-9);
    }
}
