//! How samples become one value: what can be typed about it, and what does not go together.

use crate::{GivenNoise, Predict, StackJob};
use clap::{Args, ValueEnum};
use stack::{ClipCenter, ClipOptions, ClipScale, Combine, WinsorOptions};

/// Options of combining.
#[derive(Clone, Debug, Args)]
pub struct CombineArgs {
    /// How the samples of a pixel become one value
    #[arg(long, value_enum, default_value_t = CombineArg::SigmaClip)]
    pub combine: CombineArg,
    /// Threshold of sigma-clip and winsorized in sigmas: one, or low,high; 3 when not given
    #[arg(long, value_name = "SIGMAS", value_parser = parse_clip)]
    pub clip: Option<(f32, f32)>,
    /// What one sigma of the clip is; auto when not given
    #[arg(long, value_enum)]
    pub clip_by: Option<ClipByArg>,
    /// What the clip measures from; the median when not given
    #[arg(long, value_enum)]
    pub clip_about: Option<ClipAboutArg>,
    /// Most passes of the clip; 5 when not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub clip_passes: Option<u16>,
    /// Gain of the camera in electrons per DN, where it is known better than the frames
    /// tell; for the predicted clip
    #[arg(long, value_name = "E_PER_DN", value_parser = parse_positive, requires = "read_noise")]
    pub gain: Option<f64>,
    /// Read noise of the camera in electrons, to go with --gain
    #[arg(long, value_name = "E", value_parser = parse_positive, requires = "gain")]
    pub read_noise: Option<f64>,
}

/// The estimators.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CombineArg {
    /// Weighted mean
    Mean,
    /// Median
    Median,
    /// Weighted mean of what an iterated clip keeps
    SigmaClip,
    /// Weighted mean, samples far off drawn in to median ± clip x 1.4826 median deviations
    Winsorized,
    /// Largest sample of lights as they were taken, not aligned: trails of stars
    Max,
}

/// What one sigma of a clip is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ClipByArg {
    /// predicted where lights are too few for deviation to reject any, if gain and read
    /// noise are known; else deviation
    Auto,
    /// The standard deviation of a pixel's samples
    Deviation,
    /// 1.4826 times their median absolute deviation
    Mad,
    /// What the camera's gain and read noise predict for each sample
    Predicted,
}

/// What a clip measures from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ClipAboutArg {
    /// The median of a pixel's samples
    Median,
    /// Their mean
    Mean,
}

/// √3: what a clip at no more standard deviations leaves of a Gaussian has a standard deviation
/// by which the next pass takes more, without end.
const LEAST_REPEATED_SIGMAS: f32 = 1.732_050_8;

impl CombineArgs {
    /// An estimator with all else as when nothing is said.
    pub(crate) fn of(combine: CombineArg) -> Self {
        Self {
            combine,
            clip: None,
            clip_by: None,
            clip_about: None,
            clip_passes: None,
            gain: None,
            read_noise: None,
        }
    }

    /// What was asked for and has no meaning beside what else was.
    pub(crate) fn conflict(&self) -> Option<String> {
        let clips = self.combine == CombineArg::SigmaClip;
        let limits = clips || self.combine == CombineArg::Winsorized;
        let name = self.combine.to_possible_value()?;
        let given = [
            ("--clip", self.clip.is_some(), limits),
            ("--clip-by", self.clip_by.is_some(), clips),
            ("--clip-about", self.clip_about.is_some(), clips),
            ("--clip-passes", self.clip_passes.is_some(), clips),
            ("--gain", self.gain.is_some(), clips),
        ];
        let idle = given.iter().find(|(_, given, used)| *given && !used);
        if let Some((option, ..)) = idle {
            return Some(format!(
                "{option} says nothing about --combine {}, which clips nothing by it",
                name.get_name()
            ));
        }
        if let Some(sigmas) = self.endless_clip() {
            return Some(format!(
                "--clip {sigmas} by the samples' own deviation, repeated, takes nearly all of \
                 them: needed is more than {:.2}, or --clip-passes 1",
                LEAST_REPEATED_SIGMAS
            ));
        }
        let by_scatter = matches!(self.clip_by, Some(ClipByArg::Deviation | ClipByArg::Mad));
        if self.gain.is_some() && by_scatter {
            return Some("--gain is for --clip-by predicted or auto".to_owned());
        }
        let predicted = self.clip_by == Some(ClipByArg::Predicted);
        if predicted && self.clip_about == Some(ClipAboutArg::Mean) {
            return Some("--clip-by predicted goes about the median alone".to_owned());
        }
        None
    }

    /// The threshold of a clip that finds no end while there are samples.
    fn endless_clip(&self) -> Option<f32> {
        let by_deviation = !matches!(self.clip_by, Some(ClipByArg::Mad | ClipByArg::Predicted));
        let repeated = self
            .clip_passes
            .is_none_or(|passes| usize::from(passes) > 1);
        let clips = self.combine == CombineArg::SigmaClip;
        let (low, high) = self.clip.filter(|_| clips && by_deviation && repeated)?;
        Some(low.min(high)).filter(|sigmas| *sigmas <= LEAST_REPEATED_SIGMAS)
    }

    /// Puts what was asked for into a job.
    pub(crate) fn put_into(&self, job: &mut StackJob) {
        let (low_sigmas, high_sigmas) = self.clip.unwrap_or((3.0, 3.0));
        let default = ClipOptions::default();
        let clip = ClipOptions {
            low_sigmas,
            high_sigmas,
            center: match self.clip_about {
                Some(ClipAboutArg::Mean) => ClipCenter::Mean,
                Some(ClipAboutArg::Median) | None => ClipCenter::Median,
            },
            scale: match self.clip_by {
                Some(ClipByArg::Mad) => ClipScale::MedianDeviation,
                _ => ClipScale::StandardDeviation,
            },
            max_passes: self.clip_passes.map_or(default.max_passes, usize::from),
        };
        job.options.combine = match self.combine {
            CombineArg::Mean => Combine::Mean,
            CombineArg::Median => Combine::Median,
            CombineArg::SigmaClip => Combine::SigmaClip(clip),
            CombineArg::Winsorized => Combine::Winsorized(WinsorOptions {
                low_sigmas,
                high_sigmas,
            }),
            CombineArg::Max => Combine::Max,
        };
        job.predict = match self.clip_by {
            // A clip about the mean was asked for as the literature has it.
            None | Some(ClipByArg::Auto) if self.clip_about == Some(ClipAboutArg::Mean) => {
                Predict::Never
            }
            None | Some(ClipByArg::Auto) => Predict::WhenFew,
            Some(ClipByArg::Deviation | ClipByArg::Mad) => Predict::Never,
            Some(ClipByArg::Predicted) => Predict::Always,
        };
        job.camera = self
            .gain
            .zip(self.read_noise)
            .map(|(gain, read)| GivenNoise {
                gain_e_per_dn: gain,
                read_noise_e: read,
            });
    }
}

fn parse_clip(text: &str) -> Result<(f32, f32), String> {
    let sigmas = |part: &str| match part.trim().parse::<f32>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err(format!("'{part}' is not a positive number of sigmas")),
    };
    match text.split_once(',') {
        Some((low, high)) => Ok((sigmas(low)?, sigmas(high)?)),
        None => sigmas(text).map(|both| (both, both)),
    }
}

fn parse_positive(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err(format!("'{text}' is not a positive number")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::args::{Cli, Command};
    use clap::Parser;

    fn parsed(options: &str) -> CombineArgs {
        let line = format!("radicand stack night -o result {options}");
        let cli = Cli::try_parse_from(line.split_whitespace()).expect("an accepted line");
        match cli.command {
            Command::Stack(args) => args.picture.combining,
            _ => unreachable!("stack was typed"),
        }
    }

    #[test]
    fn thresholds_are_one_or_two_positive_numbers() {
        assert_eq!(parse_clip("3"), Ok((3.0, 3.0)));
        assert_eq!(parse_clip("2.5,4"), Ok((2.5, 4.0)));
        for wrong in ["", "0", "-1", "3,", "a,b", "NaN", "inf"] {
            assert!(parse_clip(wrong).is_err(), "{wrong}");
        }
        for wrong in ["", "0", "-1", "NaN", "inf", "2e"] {
            assert!(parse_positive(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn options_that_would_be_ignored_are_named() {
        let conflicts = [
            ("--combine mean --clip 2", "--clip says"),
            ("--combine median --clip 2", "--clip says"),
            ("--combine max --clip-passes 2", "--clip-passes"),
            ("--combine winsorized --clip-by mad", "--clip-by"),
            ("--combine mean --gain 2 --read-noise 3", "--gain"),
            ("--clip-by mad --gain 2 --read-noise 3", "--gain"),
            ("--clip-by predicted --clip-about mean", "median alone"),
        ];
        for (line, want) in conflicts {
            let said = parsed(line).conflict().expect(line);
            assert!(said.contains(want), "{line}: {said}");
        }
        let fine = [
            "",
            "--combine median",
            "--clip 2.5,4 --clip-by mad --clip-about mean --clip-passes 1",
            "--combine winsorized --clip 2",
            "--clip-by predicted --gain 2.1 --read-noise 3",
        ];
        for line in fine {
            assert_eq!(parsed(line).conflict(), None, "{line}");
        }
    }

    #[test]
    fn what_is_typed_reaches_the_job() {
        let mut job = StackJob::new(Default::default());
        parsed("--clip 2,4 --clip-by mad --clip-about mean --clip-passes 7").put_into(&mut job);
        let want = ClipOptions {
            low_sigmas: 2.0,
            high_sigmas: 4.0,
            center: ClipCenter::Mean,
            scale: ClipScale::MedianDeviation,
            max_passes: 7,
        };
        assert_eq!(job.options.combine, Combine::SigmaClip(want));
        assert_eq!(job.predict, Predict::Never);
        parsed("").put_into(&mut job);
        assert_eq!(
            job.options.combine,
            Combine::SigmaClip(ClipOptions::default())
        );
        assert_eq!((job.predict, job.camera), (Predict::WhenFew, None));
        parsed("--clip-by predicted --gain 2 --read-noise 3").put_into(&mut job);
        let given = GivenNoise {
            gain_e_per_dn: 2.0,
            read_noise_e: 3.0,
        };
        assert_eq!((job.predict, job.camera), (Predict::Always, Some(given)));
        parsed("--combine max").put_into(&mut job);
        assert_eq!(job.options.combine, Combine::Max);
    }
}
