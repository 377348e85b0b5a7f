//! How a picture is made of measured photosites: what can be typed about it, and what does not
//! go together.

use crate::GroundChoice;
use crate::StackJob;
use crate::combine_args::CombineArg;
use clap::{Args, ValueEnum};
use stack::{DropShape, FromMosaic};

/// Options of a second pass from the mosaic.
#[derive(Clone, Debug, Args)]
pub struct MosaicArgs {
    /// Make the picture of measured photosites alone, without demosaicing: a second pass, in
    /// which outliers are told by the ordinary stack
    #[arg(long)]
    pub from_mosaic: bool,
    /// Pixels of the picture to one of the lights, each way, 1 to 2; 1 when not given
    #[arg(long, value_name = "1..2", value_parser = parse_scale, requires = "from_mosaic")]
    pub scale: Option<f64>,
    /// Size of what a photosite is spread over, in pixels of the lights: the side of a square,
    /// the width at half maximum of a Gaussian; when not given 1, steered 1.2
    #[arg(long, value_name = "SIZE", value_parser = parse_drop, requires = "from_mosaic")]
    pub drop: Option<f64>,
    /// Shape of what a photosite is spread over; square when not given
    #[arg(long, value_enum, requires = "from_mosaic")]
    pub drop_shape: Option<DropShapeArg>,
}

/// The shapes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum DropShapeArg {
    /// A square: each pixel takes the area that it shares with it
    Square,
    /// All to one pixel: sharpest, and needs most frames
    Point,
    /// A round Gaussian
    Gaussian,
    /// A Gaussian that is narrow across edges and at stars, and long along edges
    Steered,
}

/// Size of a steered drop, px, unless told otherwise: wide enough that what is narrowed to half
/// still reaches a photosite of most lights.
const STEERED_PX: f64 = 1.2;

impl MosaicArgs {
    /// What was asked for and does not go together.
    pub(crate) fn conflict(&self, combine: CombineArg, ground: &GroundChoice) -> Option<String> {
        if !self.from_mosaic {
            return None;
        }
        if combine == CombineArg::Max {
            return Some(
                "--combine max draws trails, which no second pass can be held against".to_owned(),
            );
        }
        if *ground == GroundChoice::All {
            return Some(
                "--ground all stacks lights that do not move, so that --from-mosaic would leave most pixels \
                 without red and blue"
                    .to_owned(),
            );
        }
        let point = self.drop_shape == Some(DropShapeArg::Point);
        (point && self.drop.is_some())
            .then(|| "--drop says nothing about --drop-shape point, which has no size".to_owned())
    }

    /// Puts what was asked for into a job.
    pub(crate) fn put_into(&self, job: &mut StackJob) {
        let size = |default: f64| self.drop.unwrap_or(default);
        job.from_mosaic = self.from_mosaic.then(|| FromMosaic {
            scale: self.scale.unwrap_or(1.0),
            drop: match self.drop_shape {
                None | Some(DropShapeArg::Square) => DropShape::Square(size(1.0)),
                Some(DropShapeArg::Point) => DropShape::Point,
                Some(DropShapeArg::Gaussian) => DropShape::Gaussian(size(1.0)),
                Some(DropShapeArg::Steered) => DropShape::Steered(size(STEERED_PX)),
            },
        });
    }
}

fn parse_scale(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(scale) if (1.0..=2.0).contains(&scale) => Ok(scale),
        _ => Err(format!("'{text}' is not a number from 1 to 2")),
    }
}

fn parse_drop(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(size) if (0.1..=4.0).contains(&size) => Ok(size),
        _ => Err(format!("'{text}' is not a number of pixels from 0.1 to 4")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::args::{Cli, Command};
    use clap::Parser;

    fn parsed(options: &str) -> Result<(Option<FromMosaic>, Option<String>), clap::Error> {
        let line = format!("radicand stack night -o result {options}");
        let cli = Cli::try_parse_from(line.split_whitespace())?;
        let Command::Stack(args) = cli.command else {
            unreachable!("stack was typed");
        };
        let mut job = StackJob::new(Default::default());
        args.picture.mosaic.put_into(&mut job);
        Ok((job.from_mosaic, args.conflict()))
    }

    #[test]
    fn what_is_typed_reaches_the_job() {
        let asked = |options: &str| parsed(options).expect(options).0;
        assert_eq!(asked(""), None);
        assert_eq!(asked("--from-mosaic"), Some(FromMosaic::default()));
        let fine = FromMosaic {
            scale: 1.5,
            drop: DropShape::Gaussian(0.7),
        };
        assert_eq!(
            asked("--from-mosaic --scale 1.5 --drop 0.7 --drop-shape gaussian"),
            Some(fine)
        );
    }

    #[test]
    fn what_does_not_go_together_is_named() {
        let refused = [
            "--scale 2",
            "--from-mosaic --scale 2.1",
            "--from-mosaic --drop 0",
            "--drop 1",
        ];
        assert!(refused.iter().all(|options| parsed(options).is_err()));
        for (options, want) in [
            ("--combine max", "trails"),
            ("--ground all", "do not move"),
            ("--drop 1 --drop-shape point", "no size"),
        ] {
            let said = parsed(&format!("--from-mosaic {options}"))
                .expect(options)
                .1;
            assert!(said.expect(options).contains(want), "{options}");
        }
        assert_eq!(
            parsed("--from-mosaic --combine median").expect("fine").1,
            None
        );
    }
}
