//! The few constants of nature and of convention that the formulae share.

/// Molar gas constant R, J/(mol K). Exact since 2019 (SI brochure, 9th edition, rounded to 10 digits).
pub const GAS_CONSTANT: f64 = 8.314_462_618;

/// Molar mass of dry air at 400 µmol/mol of carbon dioxide, kg/mol.
/// Picard et al., Metrologia 45 (2008) 149 (CIPM-2007).
pub const MOLAR_MASS_DRY: f64 = 28.965_46e-3;

/// Molar mass of water, kg/mol. Picard et al., Metrologia 45 (2008) 149 rounds it to 18.015 28.
pub const MOLAR_MASS_WATER: f64 = 18.015_28e-3;

/// Molar mass of water over that of dry air, 0.621 957.
pub const MOLAR_MASS_RATIO: f64 = MOLAR_MASS_WATER / MOLAR_MASS_DRY;

/// Standard atmosphere, Pa. Exact by definition (10th CGPM, 1954).
pub const STANDARD_ATMOSPHERE: f64 = 101_325.0;

/// 0 °C in kelvin. Exact by definition.
pub const ZERO_CELSIUS: f64 = 273.15;

/// Standard acceleration of gravity, m/s². Exact by definition (3rd CGPM, 1901).
pub const STANDARD_GRAVITY: f64 = 9.806_65;
