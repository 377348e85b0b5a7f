//! What to do about each warning.

use super::Warning;

impl Warning {
    /// What to do about it.
    pub fn advice(&self) -> String {
        match self {
            Self::TooFewFramesToClip {
                frames_needed,
                not_predicted: None,
                ..
            } => format!(
                "shoot at least {frames_needed} frames, lower --clip, or use --combine median"
            ),
            Self::TooFewFramesToClip { frames_needed, .. } => format!(
                "shoot at least {frames_needed} frames; from three on, flats and bias frames will do, \
                 or --gain and --read-noise, or --combine median"
            ),
            Self::HeavyClip { .. } => {
                "use --clip 3, which takes less than one good sample in a hundred; of few lights, \
                 --clip-by auto instead of mad"
                    .to_owned()
            }
            Self::TrailsNotMeasured => "look for lights that were left out: each leaves a gap in \
                 the trails, and --keep-all keeps them"
                .to_owned(),
            Self::PatternNotVisible { .. } => "move the framing by more than ten pixels from \
                 frame to frame, each time to a new place (dither), and give flats and darks: they bound the pattern"
                .to_owned(),
            Self::SmallDrift { .. } => "move the framing by some ten pixels every few frames \
                 (dither), or give darks and flats along with the lights"
                .to_owned(),
            Self::Saturated { .. } => "expose shorter or at a lower ISO, until the sky lies \
                 well below full scale"
                .to_owned(),
            Self::SensorPatternTakenOff { .. } => "darks and flats tell all of it and cost no \
                 structure of the sky; look at the picture for what is fainter than before, and \
                 hold it against one made with --sensor-pattern none"
                .to_owned(),
            Self::SensorPatternLeft { .. } => "give darks and flats along with the lights; for \
                 another night, move the framing by some ten pixels every few frames (dither)"
                .to_owned(),
            Self::NoDarks => "take 10 or more frames with the lens covered, at the lights' \
                 exposure, ISO and temperature, and give them along with the lights"
                .to_owned(),
            Self::NoFlats => "take 10 or more frames of an evenly lit surface with the same \
                 lens, focus and aperture, and give them along with the lights"
                .to_owned(),
            Self::FramesLeftOut { .. } => "see the reason of each in the report's frames; take \
                 broken files and other pictures out of the folder"
                .to_owned(),
            Self::CloudyFrames { .. } => "they are weighted down already; leave the worst out \
                 if the sky looks uneven"
                .to_owned(),
            Self::FocusDrift { .. } => "look for dew on the lens, and for focus that creeps with \
                 the temperature; focus again in a long night"
                .to_owned(),
            Self::ClockOff { .. } => "nothing is wrong with the picture, which goes by the stars; \
                 do not trust capture times, and set the camera's clock"
                .to_owned(),
            Self::CameraMoved { .. } => "nothing is wrong with the sky; check the ground, and \
                 tighten the tripod"
                .to_owned(),
            Self::PlaneMaps { .. } => "look at the corners of these lights, where such a map is \
                 off under a wide lens; frames[].map says which they are"
                .to_owned(),
            Self::KeptAnyway { .. } => "compare with a stack without --keep-all".to_owned(),
            Self::GroundSmears { .. } => "shoot the ground from the same place without tracking, \
                 and join both with `radicand blend`"
                .to_owned(),
            Self::GroundGuessed { .. } => "look along the ridge in the picture; leave these frames \
                 out if it is smeared there"
                .to_owned(),
            Self::GroundNotFollowed => "nothing to do where the camera stood on a tripod; where it \
                 followed the sky, this ground smears: stack again with a reference that shows \
                 more of it, and look along the ridge"
                .to_owned(),
            Self::SkiesDiffer { .. } => "take both within minutes of each other; a ground in \
                 moonlight or dawn is brought to the sky's brightness as a whole"
                .to_owned(),
            Self::RidgeStep { .. } => "take both within minutes of each other, or use a mask that \
                 lies closer to the ridge"
                .to_owned(),
            Self::BrightnessUnknown => "give raw frames and stacks with their reports beside them"
                .to_owned(),
            Self::NoisyGround { .. } => "expose the ground longer, or take several frames of it \
                 from the tripod and stack them with `radicand stack --ground all`"
                .to_owned(),
            Self::GroundMissing { .. } => "point the camera lower when shooting the ground, or crop \
                 the picture"
                .to_owned(),
            Self::SkyMissing { .. } => "begin or end the tracked burst with the ridge lower in the \
                 frame, or expose shorter"
                .to_owned(),
            Self::FewStars { .. } => "check this light in the stack's corners; choose the \
                 sharpest light with --reference, or leave this one out"
                .to_owned(),
            Self::SparsePhotosites { frames, needed, .. } if frames < needed => format!(
                "shoot at least {needed} frames and move the framing between them, or use a smaller \
                 --scale or a larger --drop"
            ),
            Self::SparsePhotosites { .. } => "the frames are enough, but hardly move against each \
                 other: move the framing by some pixels between them (dither), or use a smaller \
                 --scale or a larger --drop"
                .to_owned(),
            Self::MastersMismatch {
                kind, what, lights, ..
            } => format!(
                "take {} with {what} {lights}, and give them along with the lights",
                kind.plural()
            ),
        }
    }
}
