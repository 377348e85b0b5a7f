//! How bright the sky is, and how much brighter the Moon makes it.

/// Luminance of a sky, cd/m²: `108000 · 10^(-0.4 μ)`. The usual conversion.
pub fn candela_per_m2(mag_per_arcsec2: f64) -> f64 {
    108_000.0 * 10f64.powf(-0.4 * mag_per_arcsec2)
}

/// Brightness of a sky with the Moon in it, mag/arcsec² in V.
///
/// Krisciunas & Schaefer (1991), PASP 103, 1033, eq. 3, 15, 20 and 21, from memory: scattered
/// moonlight to 8 to 23 % of itself, for clear air and more than 10° from the Moon.
///
/// - `dark_mag`: of the same place without the Moon.
/// - `phase_angle_deg`: 0 when full.
/// - `moon_altitude_deg`, `altitude_deg`: of the Moon and of the place looked at; below the
///   horizon the Moon adds nothing.
/// - `separation_deg`: between them.
pub fn moonlit_sky_mag(
    dark_mag: f64,
    phase_angle_deg: f64,
    moon_altitude_deg: f64,
    altitude_deg: f64,
    separation_deg: f64,
) -> f64 {
    if moon_altitude_deg <= 0.0 {
        return dark_mag;
    }
    let alpha = phase_angle_deg.abs();
    let moon = 10f64.powf(-0.4 * (3.84 + 0.026 * alpha + 4e-9 * alpha.powi(4)));
    let cos_rho = separation_deg.to_radians().cos();
    let scattered =
        10f64.powf(5.36) * (1.06 + cos_rho * cos_rho) + 10f64.powf(6.15 - separation_deg / 40.0);
    let let_through =
        |altitude_deg: f64| 10f64.powf(-0.4 * EXTINCTION_MAG * air_mass(altitude_deg));
    let added =
        scattered * moon * let_through(moon_altitude_deg) * (1.0 - let_through(altitude_deg));
    let dark = nanolambert(dark_mag);
    dark_mag - 2.5 * (1.0 + added / dark).log10()
}

/// Extinction of clear air in V at the zenith, mag: that of the paper's site.
const EXTINCTION_MAG: f64 = 0.172;

/// Optical path in air over that at the zenith (the paper's eq. 3).
fn air_mass(altitude_deg: f64) -> f64 {
    let sine = altitude_deg.to_radians().cos();
    (1.0 - 0.96 * sine * sine).powf(-0.5)
}

/// Brightness in nanolamberts (the paper's eq. 1, after Garstang).
fn nanolambert(mag_per_arcsec2: f64) -> f64 {
    34.08 * (20.7233 - 0.92104 * mag_per_arcsec2).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The usual table; 22.0 is 0.171 mcd/m².
    #[test]
    fn magnitudes_are_candela() {
        for (mag, want) in [
            (22.0, 1.712e-4),
            (21.5, 2.713e-4),
            (21.0, 4.300e-4),
            (18.0, 6.814e-3),
        ] {
            let found = candela_per_m2(mag);
            assert!((found / want - 1.0).abs() < 3e-4, "{mag}: {found}");
        }
        // A lambert is 10⁴/π cd/m²: two ways to one luminance.
        let lambert = nanolambert(21.0) * 1e-9 * 1e4 / std::f64::consts::PI;
        assert!(
            (lambert / candela_per_m2(21.0) - 1.0).abs() < 0.02,
            "{lambert}"
        );
    }

    #[test]
    fn more_moon_is_a_brighter_sky() {
        let sky =
            |phase, altitude, separation| moonlit_sky_mag(21.6, phase, altitude, 60.0, separation);
        assert_eq!(sky(0.0, -1.0, 90.0), 21.6);
        let full = sky(0.0, 60.0, 45.0);
        let half = sky(90.0, 60.0, 45.0);
        let thin = sky(150.0, 60.0, 45.0);
        assert!(
            full < half && half < thin && thin < 21.6,
            "{full} {half} {thin}"
        );
        assert!(sky(0.0, 60.0, 20.0) < full);
        // A full Moon costs three to four magnitudes: common experience, no source.
        assert!((17.0..18.8).contains(&full), "{full}");
    }
}
