//! What can be typed after `radicand compare`.

use clap::Args;
use std::path::PathBuf;

/// Arguments of `compare`.
///
/// Lists have one value for all results or one for each, in their order; `-` leaves it to
/// the file.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// 2 to 6 results of the same field: raws, stacks, composites, pictures
    #[arg(required = true, num_args = 2..=6, value_name = "RESULT")]
    pub results: Vec<PathBuf>,
    /// Folder for compare.json, comparison.html and the crops, made if it is not there;
    /// without it nothing is written
    #[arg(short, long)]
    pub output: Option<PathBuf>,
    /// Side of a pixel on the sky, arcsec
    #[arg(long, value_name = "ARCSEC", value_delimiter = ',', value_parser = parse_number,
        allow_hyphen_values = true)]
    pub scale: Vec<Given<f64>>,
    /// Focal length, mm, where the file does not state it
    #[arg(long, value_name = "MM", value_delimiter = ',', value_parser = parse_number,
        allow_hyphen_values = true)]
    pub focal_length: Vec<Given<f64>>,
    /// Distance of two pixels on the sensor, µm
    #[arg(long, value_name = "UM", value_delimiter = ',', value_parser = parse_number,
        allow_hyphen_values = true)]
    pub pixel_pitch: Vec<Given<f64>>,
    /// Exposures in a result: 30 is one of 30 s, 8x13 eight of 13 s; 8x13+1 keeps one
    /// waiting for one more (so camera-made composites are charged by themselves)
    #[arg(long, value_name = "NxS", value_delimiter = ',', value_parser = parse_exposures,
        allow_hyphen_values = true)]
    pub exposures: Vec<Given<Exposures>>,
    /// Time on the clock, s, where it is known better
    #[arg(long, value_name = "S", value_delimiter = ',', value_parser = parse_number,
        allow_hyphen_values = true)]
    pub clock: Vec<Given<f64>>,
    /// Magnitude of a star whose flux is 1 in green of the first result
    #[arg(long, value_name = "MAG", allow_hyphen_values = true)]
    pub zero_point: Option<f64>,
    /// Replace an earlier comparison
    #[arg(long)]
    pub overwrite: bool,
}

/// A value of a list, or `-`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Given<T> {
    /// As the file says.
    Left,
    /// This.
    Is(T),
}

impl<T: Copy> Given<T> {
    /// The value, if one was given.
    pub fn value(self) -> Option<T> {
        match self {
            Self::Left => None,
            Self::Is(value) => Some(value),
        }
    }
}

/// How often and how long the shutter was open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exposures {
    /// Number of exposures.
    pub count: u32,
    /// Length of one, s.
    pub each_s: f64,
    /// Exposures that one waits for beyond them; `None` where the kind of result decides.
    pub waiting: Option<u32>,
}

fn parse_number(text: &str) -> Result<Given<f64>, String> {
    match text.trim() {
        "-" => Ok(Given::Left),
        number => match number.parse::<f64>() {
            Ok(value) if value.is_finite() && value > 0.0 => Ok(Given::Is(value)),
            _ => Err(format!("'{text}' is not a positive number, nor -")),
        },
    }
}

fn parse_exposures(text: &str) -> Result<Given<Exposures>, String> {
    let wrong = || format!("'{text}' is not like 30, 8x13 or 8x13+1, nor -");
    let text = text.trim();
    if text == "-" {
        return Ok(Given::Left);
    }
    let (times, waiting) = match text.split_once('+') {
        Some((times, waiting)) => (times, Some(waiting.parse().map_err(|_| wrong())?)),
        None => (text, None),
    };
    let (count, each) = times.split_once(['x', 'X']).unwrap_or(("1", times));
    let count: u32 = count.trim().parse().map_err(|_| wrong())?;
    let each_s: f64 = each
        .trim()
        .trim_end_matches('s')
        .parse()
        .map_err(|_| wrong())?;
    if count == 0 || !each_s.is_finite() || each_s <= 0.0 {
        return Err(wrong());
    }
    Ok(Given::Is(Exposures {
        count,
        each_s,
        waiting,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposures_are_counted_and_charged() {
        let is = |count, each_s, waiting| {
            Ok(Given::Is(Exposures {
                count,
                each_s,
                waiting,
            }))
        };
        assert_eq!(parse_exposures("30"), is(1, 30.0, None));
        assert_eq!(parse_exposures("8x13"), is(8, 13.0, None));
        assert_eq!(parse_exposures("8x13s+1"), is(8, 13.0, Some(1)));
        assert_eq!(parse_exposures("-"), Ok(Given::Left));
        for wrong in ["", "x", "0x3", "8x", "8x-1", "8x13+", "NaN", "infx1"] {
            assert!(parse_exposures(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn numbers_are_positive_or_left_to_the_file() {
        assert_eq!(parse_number("3.3"), Ok(Given::Is(3.3)));
        assert_eq!(parse_number("-"), Ok(Given::Left));
        for wrong in ["", "0", "-1", "NaN", "inf", "a"] {
            assert!(parse_number(wrong).is_err(), "{wrong}");
        }
    }
}
