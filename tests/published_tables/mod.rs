//! Tables from the literature that several tests use.

/// 8YSZ nanopowder fired at 5 K/min without hold: temperature in °C and relative density, Mazaheri, Zahedi, Hejazi, Mater.
/// Sci. Eng. A 492 (2008) 261, read off the figure by a third party.
pub const YSZ: [(f64, f64); 8] = [
    (950.0, 0.652),
    (1050.0, 0.675),
    (1150.0, 0.721),
    (1200.0, 0.769),
    (1250.0, 0.821),
    (1300.0, 0.925),
    (1350.0, 0.948),
    (1500.0, 0.975),
];

/// Density of brick by firing temperature, Montgomery, Design and Analysis of Experiments: the unbalanced exercise, all
/// values, F(3,14) = 2.0237 and p = 0.1569 recomputed from them.
pub const BRICK: [(f64, &[f64]); 4] = [
    (100.0, &[21.8, 21.9, 21.7, 21.6, 21.7]),
    (125.0, &[21.7, 21.4, 21.5, 21.4]),
    (150.0, &[21.9, 21.8, 21.8, 21.6, 21.5]),
    (175.0, &[21.9, 21.7, 21.8, 21.4]),
];
