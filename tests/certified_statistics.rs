//! Lines, tests and fits against certified and published values.
//!
//! NIST StRD: Statistical Reference Datasets, certified values of the National Institute of Standards and Technology
//! (data and values of Norris and Wampler1 as quoted in several public sources and recomputed in exact fractions; those
//! of Misra1a, DanWood, Thurber and MGH17 from memory (certified values of Thurber also as quoted in public sources),
//! which the certified sums of squares confirm: wrong data could not meet them).

mod published_tables;

use ceramograph::statistics::groups::{anova, anova_of_summaries, welch};
use ceramograph::statistics::least_squares::least_squares;
use ceramograph::statistics::line::{fit, lack_of_fit};
use ceramograph::statistics::nonlinear;
use ceramograph::statistics::rank::spearman;
use ceramograph::statistics::summary::Summary;
use published_tables::{BRICK, YSZ};

/// Agreement to nine digits.
fn assert_nine_digits(found: f64, certified: f64, what: &str) {
    assert!(((found - certified) / certified).abs() < 1e-9, "{what}: {found} is not {certified}");
}

const NORRIS_X: [f64; 36] = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
    447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3,
    229.2, 669.1, 448.9, 0.5,
];
const NORRIS_Y: [f64; 36] = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
    448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6,
    228.9, 668.4, 449.2, 0.2,
];

#[test]
fn norris_has_its_certified_line() {
    let line = fit(&NORRIS_X, &NORRIS_Y, None).unwrap();
    assert_nine_digits(line.intercept, -0.262323073774029, "B0");
    assert_nine_digits(line.intercept_standard_error, 0.232818234301152, "SD of B0");
    assert_nine_digits(line.slope, 1.00211681802045, "B1");
    assert_nine_digits(line.slope_standard_error, 0.429796848199937e-3, "SD of B1");
    assert_nine_digits(line.residual_standard_deviation, 0.884796396144373, "residual SD");
    assert_nine_digits(line.r_squared, 0.999993745883712, "R²");
    let f = (line.slope / line.slope_standard_error).powi(2);
    assert_nine_digits(f, 5436385.54079785, "F");
    // Half widths at three places: t(34) = 2.0322445, recomputed from the certified values.
    for (x, mean) in [(0.0, 0.4731436), (500.0, 0.3078895), (1000.0, 0.5892253)] {
        assert!((line.mean_half_width(x) - mean).abs() < 5e-7, "{x}");
    }
    assert!((line.at(500.0) - 500.7960864).abs() < 5e-7);
    assert!((line.prediction_half_width(500.0) - 1.8242919).abs() < 5e-7);
}

#[test]
fn wampler1_has_its_certified_polynomial() {
    let y = [
        1.0, 6.0, 63.0, 364.0, 1365.0, 3906.0, 9331.0, 19608.0, 37449.0, 66430.0, 111111.0, 177156.0,
        271453.0, 402234.0, 579195.0, 813616.0, 1118481.0, 1508598.0, 2000719.0, 2613660.0, 3368421.0,
    ];
    let rows: Vec<Vec<f64>> =
        (0..21).map(|x| (0..6).map(|power| f64::from(x).powi(power)).collect()).collect();
    let found = least_squares(&rows, &y, None).unwrap();
    for coefficient in found.coefficients {
        assert_nine_digits(coefficient, 1.0, "coefficient");
    }
}

#[test]
fn misra1a_has_its_certified_fit_from_both_starts() {
    let x = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0];
    let y =
        [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78];
    for start in [[500.0, 0.0001], [250.0, 0.0005]] {
        let found = nonlinear::fit(|i, b| b[0] * (1.0 - (-b[1] * x[i]).exp()), &y, &start).unwrap();
        assert!(found.converged);
        assert_nine_digits(found.parameters[0], 2.3894212918e2, "b1");
        assert_nine_digits(found.parameters[1], 5.5015643181e-4, "b2");
        assert_nine_digits(found.standard_errors[0], 2.7070075241, "SD of b1");
        assert_nine_digits(found.standard_errors[1], 7.2668688436e-6, "SD of b2");
        assert_nine_digits(found.residual_sum_of_squares, 1.2455138894e-1, "sum of squares");
    }
}

#[test]
fn danwood_has_its_certified_fit_from_both_starts() {
    let x: [f64; 6] = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680];
    let y = [2.138, 3.421, 3.597, 4.340, 4.882, 5.660];
    for start in [[1.0, 5.0], [0.7, 4.0]] {
        let found = nonlinear::fit(|i, b| b[0] * x[i].powf(b[1]), &y, &start).unwrap();
        assert!(found.converged);
        assert_nine_digits(found.parameters[0], 7.6886226176e-1, "b1");
        assert_nine_digits(found.parameters[1], 3.8604055871, "b2");
        assert_nine_digits(found.standard_errors[0], 1.8281973860e-2, "SD of b1");
        assert_nine_digits(found.standard_errors[1], 5.1726610913e-2, "SD of b2");
        assert_nine_digits(found.residual_sum_of_squares, 4.3173084083e-3, "sum of squares");
    }
}

#[test]
fn thurber_has_its_certified_fit_from_both_starts() {
    let x = [
        -3.067, -2.981, -2.921, -2.912, -2.840, -2.797, -2.702, -2.699, -2.633, -2.481, -2.363, -2.322,
        -1.501, -1.460, -1.274, -1.212, -1.100, -1.046, -0.915, -0.714, -0.566, -0.545, -0.400, -0.309,
        -0.109, -0.103, 0.010, 0.119, 0.377, 0.790, 0.963, 1.006, 1.115, 1.572, 1.841, 2.047, 2.200,
    ];
    let y = [
        80.574, 84.248, 87.264, 87.195, 89.076, 89.608, 89.868, 90.101, 92.405, 95.854, 100.696, 101.060,
        401.672, 390.724, 567.534, 635.316, 733.054, 759.087, 894.206, 990.785, 1090.109, 1080.914, 1122.643,
        1178.351, 1260.531, 1273.514, 1288.339, 1327.543, 1353.863, 1414.509, 1425.208, 1421.384, 1442.962,
        1464.350, 1468.705, 1447.894, 1457.628,
    ];
    let model = |i: usize, b: &[f64]| {
        let x: f64 = x[i];
        (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6])))
    };
    let certified = [
        (1.2881396800e3, 4.6647963344),
        (1.4910792535e3, 3.9571156086e1),
        (5.8323836877e2, 2.8698696102e1),
        (7.5416644291e1, 5.5675370270),
        (9.6629502864e-1, 3.1333340687e-2),
        (3.9797285797e-1, 1.4984928198e-2),
        (4.9727297349e-2, 6.5842344623e-3),
    ];
    for start in
        [[1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03], [1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05]]
    {
        let found = nonlinear::fit(model, &y, &start).unwrap();
        assert!(found.converged);
        assert_nine_digits(found.residual_sum_of_squares, 5.6427082397e3, "sum of squares");
        for (i, (value, deviation)) in certified.into_iter().enumerate() {
            assert_nine_digits(found.parameters[i], value, "parameter");
            assert_nine_digits(found.standard_errors[i], deviation, "SD");
        }
    }
}

#[test]
fn mgh17_has_its_certified_fit_from_the_nearer_start() {
    let y = [
        0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.850, 0.818, 0.784, 0.751, 0.718, 0.685, 0.658,
        0.628, 0.603, 0.580, 0.558, 0.538, 0.522, 0.506, 0.490, 0.478, 0.467, 0.457, 0.448, 0.438, 0.431,
        0.424, 0.420, 0.414, 0.411, 0.406,
    ];
    let model = |i: usize, b: &[f64]| {
        let x = 10.0 * i as f64;
        b[0] + b[1] * (-x * b[3]).exp() + b[2] * (-x * b[4]).exp()
    };
    let certified = [
        (3.7541005211e-1, 2.0723153551e-3),
        (1.9358469127, 2.2031669222e-1),
        (-1.4646871366, 2.2175707739e-1),
        (1.2867534640e-2, 4.4861358114e-4),
        (2.2122699662e-2, 8.9471996575e-4),
    ];
    // From the farther start both exponentials vanish at the second point and take their parameters along: no fit is
    // claimed.
    let far = nonlinear::fit(model, &y, &[50.0, 150.0, -100.0, 1.0, 2.0]);
    assert!(far.is_none_or(|fit| !fit.converged));
    let found = nonlinear::fit(model, &y, &[0.5, 1.5, -1.0, 0.01, 0.02]).unwrap();
    assert!(found.converged);
    assert_nine_digits(found.residual_sum_of_squares, 5.4648946975e-5, "sum of squares");
    for (i, (value, deviation)) in certified.into_iter().enumerate() {
        assert_nine_digits(found.parameters[i], value, "parameter");
        assert_nine_digits(found.standard_errors[i], deviation, "SD");
    }
}

#[test]
fn covariance_of_a_linear_model_is_that_of_least_squares() {
    let rows: Vec<Vec<f64>> = NORRIS_X.iter().map(|&x| vec![1.0, x]).collect();
    let linear = least_squares(&rows, &NORRIS_Y, None).unwrap();
    let found = nonlinear::fit(|i, b| b[0] + b[1] * NORRIS_X[i], &NORRIS_Y, &[1.0, 2.0]).unwrap();
    let variance = linear.residual_standard_deviation().unwrap().powi(2);
    assert!(found.converged);
    for (i, j) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
        let wanted = variance * linear.inverse[i][j];
        // Central differences of a linear model round to about 1e-11.
        assert!((found.covariance[i][j] / wanted - 1.0).abs() < 1e-8);
    }
}

#[test]
fn a_fit_that_runs_against_the_end_of_its_model_is_not_claimed() {
    // Beyond b = 1 the model ends, and the data would have b = 2: the fit runs against the wall.
    let model = |i: usize, b: &[f64]| if b[0] > 1.0 { f64::NAN } else { b[0] * i as f64 };
    let found = nonlinear::fit(model, &[0.0, 2.1, 3.9, 6.0], &[0.5]);
    assert!(found.is_none_or(|fit| !fit.converged));
}

#[test]
fn the_8ysz_line_has_its_values_and_lacks_fit() {
    let (x, y): (Vec<f64>, Vec<f64>) = YSZ.iter().map(|&(t, density)| (t, 100.0 * (1.0 - density))).unzip();
    let line = fit(&x, &y, None).unwrap();
    // Recomputed by an independent program from the table.
    assert!((line.slope + 0.06978838).abs() < 5e-9 && (line.slope_standard_error - 0.00903707).abs() < 5e-9);
    assert!((line.intercept - 103.97958).abs() < 5e-6 && (line.r_squared - 0.908587).abs() < 5e-7);
    assert!((line.residual_standard_deviation - 4.138223).abs() < 5e-7);
    assert!((line.at(1250.0) - 16.7441).abs() < 5e-5);
    assert!((line.mean_half_width(1250.0) - 3.6461).abs() < 5e-5);
    // √(3.6461² + (t s)²) with t(6) = 2.446912, from the values above; NumPy gives 10.762313.
    assert!((line.prediction_half_width(1250.0) - 10.762313).abs() < 5e-6);
    assert_eq!(spearman(&x, &y).unwrap().rho, -1.0);
    let test = lack_of_fit(&x, &y).unwrap();
    assert!(test.name == "cubic" && test.p < 0.05, "{test:?}");
}

#[test]
fn straight_data_does_not_lack_fit() {
    // Porosity against unit weight of pervious concrete, a textbook's regression exercise (Devore; printed data).
    let x = [
        99.0, 101.1, 102.7, 103.0, 105.4, 107.0, 108.7, 110.8, 112.1, 112.4, 113.6, 113.8, 115.1, 115.4,
        120.0,
    ];
    let y = [28.8, 27.9, 27.0, 25.2, 22.8, 21.5, 20.9, 19.6, 17.1, 18.9, 16.0, 16.7, 13.0, 13.6, 10.8];
    let line = fit(&x, &y, None).unwrap();
    assert!((line.slope + 0.9047307).abs() < 5e-8 && (line.intercept - 118.9099168).abs() < 5e-8);
    assert!((line.r_squared - 0.9738874).abs() < 5e-8);
    assert!((line.residual_standard_deviation - 0.9380352).abs() < 5e-8);
    assert!(lack_of_fit(&x, &y).unwrap().p > 0.05);
    // Where x repeat, the test is that of pure error: y = x with a scatter of ±1 at each level fits exactly.
    let repeated = lack_of_fit(&[1.0, 1.0, 2.0, 2.0, 3.0, 3.0], &[0.0, 2.0, 1.0, 3.0, 2.0, 4.0]).unwrap();
    assert_eq!(repeated.name, "repeated-levels");
    assert!(repeated.f.abs() < 1e-9 && (repeated.p - 1.0).abs() < 1e-9);
    // A bend through three levels: means 1, 5, 1 about their mean 7/3; residual of the line 2·(8/3)² ... F by hand below.
    let bent = lack_of_fit(&[1.0, 1.0, 2.0, 2.0, 3.0, 3.0], &[0.0, 2.0, 4.0, 6.0, 0.0, 2.0]).unwrap();
    // Line: y = 7/3; lack of fit 2·((4/3)² + (8/3)² + (4/3)²) = 64/3 on 1 degree, pure error 6 on 3: F = 32/3.
    assert!((bent.f - 32.0 / 3.0).abs() < 1e-9, "{bent:?}");
}

#[test]
fn an_invented_firing_series_has_its_bands() {
    // Computed by an independent program.
    let x = [1050.0, 1075.0, 1100.0, 1125.0, 1150.0];
    let line = fit(&x, &[18.2, 14.1, 10.3, 6.0, 2.4], None).unwrap();
    assert!((line.slope + 0.1588).abs() < 1e-9 && (line.intercept - 184.88).abs() < 1e-7);
    assert!((line.residual_standard_deviation - 0.174165).abs() < 5e-7);
    assert!((line.slope_standard_error - 0.0022030).abs() < 5e-8);
    assert!((line.mean_half_width(1100.0) - 0.24788).abs() < 5e-6);
    assert!((line.mean_half_width(1150.0) - 0.42934).abs() < 5e-6);
    assert!((line.prediction_half_width(1150.0) - 0.70110).abs() < 5e-6);
    assert!(line.slope_p() < 1e-4);
}

#[test]
fn brick_density_by_firing_temperature_shows_no_effect() {
    // Montgomery, Design and Analysis of Experiments, brick exercise: means and standard deviations as printed with F =
    // 2.81 and p = 0.073.
    let groups: Vec<Summary> = [(21.74, 0.1140), (21.50, 0.1225), (21.72, 0.1643), (21.72, 0.1924)]
        .map(|(mean, deviation): (f64, f64)| Summary { mean, variance: deviation.powi(2), count: 5 })
        .to_vec();
    let test = anova_of_summaries(&groups).unwrap();
    assert!((test.f - 2.8112).abs() < 5e-5 && (test.p - 0.07277).abs() < 5e-6, "{test:?}");
    let test = anova(&BRICK.map(|(_, values)| values)).unwrap();
    assert_eq!((test.degrees_between, test.degrees_within), (3.0, 14.0));
    assert!((test.f - 2.0237).abs() < 5e-5 && (test.p - 0.1569).abs() < 5e-5, "{test:?}");
}

#[test]
fn groups_that_carry_no_test_are_refused() {
    assert!(anova(&[&[1.0], &[2.0]]).is_none() && anova(&[&[1.0, 2.0]]).is_none());
    assert!(anova(&[&[1.0, 1.0], &[2.0, 2.0]]).is_none() && anova(&[&[1.0, 2.0], &[]]).is_none());
    assert!(welch(&[&[1.0, 2.0], &[2.0]]).is_none() && welch(&[&[1.0, 2.0], &[3.0, 3.0]]).is_none());
    assert!(nonlinear::fit(|_, b| b[0], &[1.0], &[1.0]).is_none());
    assert!(nonlinear::fit(|_, b| b[0] + b[1], &[1.0, 2.0, 3.0], &[1.0, 1.0]).is_none());
}
