//! What can be typed after `radicand plan`.

use clap::{Args, ValueEnum};
use exposure::{Observer, Projection};
use jiff::civil::Date;
use std::path::PathBuf;

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// A raw frame of the camera and lens: its numbers stand where none are given below, and
    /// with --gain its sky is taken for that of the plan
    #[arg(long, value_name = "FRAME")]
    pub from: Option<PathBuf>,
    /// Focal length, mm; the real one, not that of an equivalent
    #[arg(long, value_name = "MM", value_parser = positive, help_heading = "Camera")]
    #[arg(allow_negative_numbers = true)]
    pub focal_length: Option<f64>,
    /// f-number
    #[arg(long, value_name = "N", value_parser = positive, help_heading = "Camera")]
    pub aperture: Option<f64>,
    /// Distance of two pixels on the sensor, µm
    #[arg(long, value_name = "UM", value_parser = positive, help_heading = "Camera")]
    pub pixel_pitch: Option<f64>,
    /// Pixels of the picture; two of pixels, sensor and pixel pitch are enough
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = pair_of_positive, help_heading = "Camera")]
    pub pixels: Option<(f64, f64)>,
    /// Sides of the sensor, mm
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = pair_of_positive, help_heading = "Camera")]
    pub sensor: Option<(f64, f64)>,
    /// How the lens draws
    #[arg(long, value_enum, default_value_t = LensArg::Rectilinear, help_heading = "Camera")]
    pub lens: LensArg,
    /// Hold the camera upright
    #[arg(long, help_heading = "Camera")]
    pub portrait: bool,
    /// Read noise, e⁻
    #[arg(long, value_name = "E", value_parser = not_negative, help_heading = "Camera")]
    pub read_noise: Option<f64>,
    /// Gain, e⁻ per DN
    #[arg(long, value_name = "E_PER_DN", value_parser = positive, help_heading = "Camera")]
    pub gain: Option<f64>,
    /// Dark current, e⁻ per second
    #[arg(long, value_name = "E_PER_S", value_parser = not_negative, default_value_t = 0.0, help_heading = "Camera")]
    pub dark_current: f64,
    /// Electrons per photon that reaches the lens
    #[arg(long, value_name = "SHARE", value_parser = share, default_value_t = 0.4, help_heading = "Camera")]
    pub efficiency: f64,

    /// Declination of the middle of the picture, degrees; 0 where nothing is given
    #[arg(long, value_name = "DEG", value_parser = latitude, allow_hyphen_values = true, help_heading = "Where to")]
    pub declination: Option<f64>,
    /// Azimuth of the middle, degrees from north through east
    #[arg(long, value_name = "DEG", value_parser = degrees, allow_hyphen_values = true,
        requires_all = ["altitude", "place"], conflicts_with = "declination", help_heading = "Where to")]
    pub azimuth: Option<f64>,
    /// Altitude of the middle above the horizon, degrees
    #[arg(long, value_name = "DEG", value_parser = latitude, allow_hyphen_values = true,
        requires = "azimuth", help_heading = "Where to")]
    pub altitude: Option<f64>,
    /// Drift that a star may make in one sub, px
    #[arg(long, value_name = "PX", value_parser = positive, default_value_t = 3.0, help_heading = "Where to")]
    pub drift: f64,

    /// Angle between the tracker's axis and the celestial pole, arcmin: this is a plan with a
    /// tracker
    #[arg(long, value_name = "ARCMIN", value_parser = not_negative, help_heading = "Tracker")]
    pub polar_error: Option<f64>,
    /// Periodic error of the tracker, arcsec, peak to peak
    #[arg(long, value_name = "ARCSEC", value_parser = not_negative,
        requires_all = ["polar_error", "period"], help_heading = "Tracker")]
    pub periodic_error: Option<f64>,
    /// Period of that error, s
    #[arg(long, value_name = "S", value_parser = positive, requires = "periodic_error", help_heading = "Tracker")]
    pub period: Option<f64>,

    /// Brightness of the sky, mag/arcsec²
    #[arg(long, value_name = "MAG", value_parser = sky_magnitude, help_heading = "Light and goal")]
    pub sky: Option<f64>,
    /// Surface brightness of what is to be seen, mag/arcsec²; the sky itself where not given
    #[arg(long, value_name = "MAG", value_parser = sky_magnitude, help_heading = "Light and goal")]
    pub target: Option<f64>,
    /// Percent that read noise may add to the noise of a sub, and a master to that of the stack
    #[arg(long, value_name = "PERCENT", value_parser = positive, default_value_t = 5.0, help_heading = "Light and goal")]
    pub noise_share: f64,
    /// Exposure of a sub, s; chosen by drift and read noise where not given
    #[arg(long, value_name = "S", value_parser = positive, help_heading = "Light and goal")]
    pub exposure: Option<f64>,
    /// Time between subs, s
    #[arg(long, value_name = "S", value_parser = not_negative, default_value_t = 1.0, help_heading = "Light and goal")]
    pub overhead: f64,
    /// Signal over noise that is wanted, of a dot of the print or of a pixel; 40 with --print
    #[arg(long, value_name = "SNR", value_parser = positive, help_heading = "Light and goal")]
    pub snr: Option<f64>,
    /// Width of the print that is wanted, cm
    #[arg(long, value_name = "CM", value_parser = positive, help_heading = "Light and goal")]
    pub print: Option<f64>,
    /// Dots per inch of the print
    #[arg(long, value_name = "DOTS", value_parser = positive, default_value_t = 300.0, help_heading = "Light and goal")]
    pub dpi: f64,
    /// Fixed pattern that calibration leaves, percent of the light
    #[arg(long, value_name = "PERCENT", value_parser = positive, help_heading = "Light and goal")]
    pub fixed_pattern: Option<f64>,

    /// Date of the evening, as 2026-01-19
    #[arg(long, value_name = "DATE", value_parser = date, requires = "place", help_heading = "Night")]
    pub date: Option<Date>,
    /// Latitude and longitude, degrees, north and east positive
    #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true, help_heading = "Night")]
    pub place: Option<Observer>,
    /// Hours that clocks at the place are ahead of UTC
    #[arg(long, value_name = "HOURS", value_parser = offset, default_value_t = 0.0,
        allow_hyphen_values = true, requires = "date", help_heading = "Night")]
    pub utc_offset: f64,

    /// Other exposures, s
    #[arg(long, value_name = "S,...", value_delimiter = ',', value_parser = positive, help_heading = "What if")]
    pub try_exposure: Vec<f64>,
    /// Other apertures
    #[arg(long, value_name = "N,...", value_delimiter = ',', value_parser = positive, help_heading = "What if")]
    pub try_aperture: Vec<f64>,
    /// Other sensitivities with their read noise in e⁻, as 800:3.1,3200:1.9
    #[arg(long, value_name = "ISO:E,...", value_delimiter = ',', value_parser = iso, help_heading = "What if")]
    pub try_iso: Vec<IsoArg>,
    /// Shots that the camera puts together into a frame by itself
    #[arg(long, value_name = "SHOTS", value_parser = clap::value_parser!(u32).range(2..=64), help_heading = "What if")]
    pub try_multi_shot: Option<u32>,
    /// Time on the clock that all ways have, minutes; that of the plan, else 60
    #[arg(long, value_name = "MIN", value_parser = positive, help_heading = "What if")]
    pub clock: Option<f64>,
}

impl PlanArgs {
    /// What was asked for and has no meaning without something else.
    pub(crate) fn conflict(&self) -> Option<String> {
        let no_light = self.sky.is_none() && self.from.is_none();
        let option = self.needs_light()?;
        if no_light {
            return Some(format!(
                "{option} needs the light of the sky: give --sky (21.5 where it is dark, 19 in a \
                 suburb), or --from with --gain"
            ));
        }
        self.read_noise.is_none().then(|| {
            format!("{option} needs the camera's noise: give --read-noise (1 to 5 electrons)")
        })
    }

    /// The first option given that has no meaning without the light of the sky.
    pub(crate) fn needs_light(&self) -> Option<&'static str> {
        let needs_light = [
            ("--target", self.target.is_some()),
            ("--snr", self.snr.is_some()),
            ("--print", self.print.is_some()),
            ("--fixed-pattern", self.fixed_pattern.is_some()),
            ("--clock", self.clock.is_some()),
            ("--try-exposure", !self.try_exposure.is_empty()),
            ("--try-aperture", !self.try_aperture.is_empty()),
            ("--try-iso", !self.try_iso.is_empty()),
            ("--try-multi-shot", self.try_multi_shot.is_some()),
        ];
        let mut needs_light = needs_light.into_iter();
        needs_light
            .find(|(_, given)| *given)
            .map(|(option, _)| option)
    }
}

/// A sensitivity and its read noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IsoArg {
    /// The setting.
    pub iso: u32,
    /// e⁻.
    pub read_noise_e: f64,
}

/// The projections.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum LensArg {
    /// Straight lines stay straight: any lens that is no fisheye
    Rectilinear,
    /// Fisheye that keeps small shapes
    Stereographic,
    /// Fisheye that keeps angles from the axis
    Equidistant,
    /// Fisheye that keeps areas: most of them
    Equisolid,
}

impl From<LensArg> for Projection {
    fn from(lens: LensArg) -> Self {
        match lens {
            LensArg::Rectilinear => Self::Rectilinear,
            LensArg::Stereographic => Self::Stereographic,
            LensArg::Equidistant => Self::Equidistant,
            LensArg::Equisolid => Self::Equisolid,
        }
    }
}

fn number(text: &str, what: &str, fits: impl Fn(f64) -> bool) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && fits(value) => Ok(value),
        _ => Err(format!("'{text}' is not {what}")),
    }
}

/// More than anything that can be bought or waited for; beyond it sums would overflow.
const MOST: f64 = 1e9;

fn positive(text: &str) -> Result<f64, String> {
    number(text, "a positive number", |value| {
        value > 0.0 && value < MOST
    })
}

fn not_negative(text: &str) -> Result<f64, String> {
    number(text, "a number from 0 on", |value| {
        (0.0..MOST).contains(&value)
    })
}

fn share(text: &str) -> Result<f64, String> {
    number(text, "a share such as 0.4, up to 1", |value| {
        value > 0.0 && value <= 1.0
    })
}

fn latitude(text: &str) -> Result<f64, String> {
    number(text, "an angle from -90 to 90 degrees", |value| {
        value.abs() <= 90.0
    })
}

fn degrees(text: &str) -> Result<f64, String> {
    number(text, "an angle from -360 to 360 degrees", |value| {
        value.abs() <= 360.0
    })
}

fn sky_magnitude(text: &str) -> Result<f64, String> {
    let what = "a surface brightness from 10 (bright) to 30 mag/arcsec²; a dark sky has 21 to 22";
    number(text, what, |value| (10.0..=30.0).contains(&value))
}

fn offset(text: &str) -> Result<f64, String> {
    number(text, "a number of hours from -14 to 14", |value| {
        value.abs() <= 14.0
    })
}

fn pair_of_positive(text: &str) -> Result<(f64, f64), String> {
    let wrong = || format!("'{text}' is not a size such as 6000x4000 or 23.5x15.6");
    let (width, height) = text.split_once(['x', 'X', '×']).ok_or_else(wrong)?;
    let side = |text: &str| positive(text).map_err(|_| wrong());
    Ok((side(width)?, side(height)?))
}

fn date(text: &str) -> Result<Date, String> {
    let date: Option<Date> = text.trim().parse().ok();
    date.filter(|date| (1900..=2100).contains(&date.year()))
        .ok_or_else(|| format!("'{text}' is not a date such as 2026-01-19, 1900 to 2100"))
}

fn place(text: &str) -> Result<Observer, String> {
    let wrong = || format!("'{text}' is not a latitude and a longitude such as 47.1,-11.2");
    let (north, east) = text.split_once(',').ok_or_else(wrong)?;
    Ok(Observer {
        latitude_deg: latitude(north).map_err(|_| wrong())?,
        longitude_deg: degrees(east)
            .ok()
            .filter(|east| east.abs() <= 180.0)
            .ok_or_else(wrong)?,
    })
}

fn iso(text: &str) -> Result<IsoArg, String> {
    let wrong = || format!("'{text}' is not an ISO and its read noise such as 800:3.1");
    let (iso, read) = text.split_once(':').ok_or_else(wrong)?;
    Ok(IsoArg {
        iso: iso.trim().parse().map_err(|_| wrong())?,
        read_noise_e: not_negative(read).map_err(|_| wrong())?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::args::{Cli, Command};
    use clap::Parser;

    fn parsed(options: &str) -> Result<PlanArgs, String> {
        let line = format!("radicand plan {options}");
        match Cli::try_parse_from(line.split_whitespace()) {
            Ok(cli) => match cli.command {
                Command::Plan(args) => Ok(*args),
                _ => unreachable!("plan was typed"),
            },
            Err(error) => Err(error.to_string()),
        }
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        for (options, said) in [
            ("--focal-length 0", "--focal-length"),
            ("--focal-length -24", "--focal-length"),
            ("--aperture NaN", "--aperture"),
            ("--declination 91", "-90 to 90"),
            ("--azimuth 100", "--altitude"),
            ("--azimuth 100 --altitude 30", "--place"),
            (
                "--azimuth 1 --altitude 2 --place 3,4 --declination 5",
                "--declination",
            ),
            ("--place 47", "latitude and a longitude"),
            ("--place 91,0", "latitude and a longitude"),
            ("--date 2026-02-30 --place 47,11", "2026-02-30"),
            ("--date 2026-01-19", "--place"),
            ("--periodic-error 30", "--polar-error"),
            ("--try-iso 800", "800:3.1"),
            ("--pixels 6000", "6000x4000"),
            ("--sky 3", "mag/arcsec²"),
            ("--try-multi-shot 1", "--try-multi-shot"),
        ] {
            let error = parsed(options).expect_err(options);
            assert!(error.contains(said), "{options}: {error}");
        }
    }

    #[test]
    fn goals_need_light_and_noise() {
        let conflict = |options: &str| parsed(options).expect(options).conflict();
        let said = conflict("--snr 40").expect("no light");
        assert!(said.contains("--snr") && said.contains("--sky"), "{said}");
        let said = conflict("--print 60 --sky 21").expect("no noise");
        assert!(
            said.contains("--print") && said.contains("--read-noise"),
            "{said}"
        );
        assert_eq!(conflict("--snr 40 --sky 21 --read-noise 2"), None);
        assert_eq!(conflict("--focal-length 24"), None);
    }

    #[test]
    fn southern_and_western_places_are_read() {
        let args =
            parsed("--place -33.9,-70.5 --date 2026-01-19 --utc-offset -3").expect("a place");
        let place = args.place.expect("a place");
        assert_eq!((place.latitude_deg, place.longitude_deg), (-33.9, -70.5));
        assert_eq!(args.utc_offset, -3.0);
    }
}
