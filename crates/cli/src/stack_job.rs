//! The main job: a folder of raw frames in, an aligned stack and its measured noise out.

use crate::JobError;
use crate::calibration::{DarkScale, calibrated};
use crate::characterize::{sensor, star_observer};
use crate::close_look::CloseLook;
use crate::cull::CullOptions;
use crate::ground::{GroundChoice, set_apart};
use crate::half_keeper::Halves;
use crate::light::SolvedLight;
use crate::memory::default_memory_bytes;
use crate::memory_plan::{Anew, Making, MemoryBudget, MemoryPlan};
use crate::parts::{Ground, Parts};
use crate::predict::{ClipChoice, GivenNoise, Predict};
use crate::progress::{Progress, Stopwatch};
use crate::scene::{Measured, Scene};
use crate::second_pass::SecondPass;
use crate::sensor_pattern::{PatternChoice, PatternOutcome};
use crate::session::{GivenMaster, Inputs, LeftOut, Session, SessionFrame, gather};
use crate::solve::{Solved, find_reference, solve};
use crate::solve_still::solve_still;
use crate::white;
use ndarray::Array2;
use noise::{
    ChannelInfo, ChannelSensor, Estimator, GainReport, NoiseError, NoiseOptions, PatternPrior,
    ReportContext, SensorTrack, StarShapes, regions,
};
use raw::{Channel, FrameKind};
use stack::{
    Calibrator, Combine, DemosaicMethod, FromMosaic, RecordedWhite, SensorLayout, StackOptions,
    StoredStack,
};
use std::path::PathBuf;

/// Columns and rows of the grid that noise is reported by.
pub const REGION_GRID: (usize, usize) = (6, 4);
/// Columns and rows of the points at which the lights' places on the sensor are taken.
const TRACK_LATTICE: (usize, usize) = (7, 5);

/// What to stack, and how.
#[derive(Clone, Debug)]
pub struct StackJob {
    /// Where the frames are.
    pub inputs: Inputs,
    /// Estimator and kernel.
    pub options: StackOptions,
    /// A second pass of photosites alone, when it is wanted.
    pub from_mosaic: Option<FromMosaic>,
    /// Whether a sigma clip goes by scatter or by the camera's noise.
    pub predict: Predict,
    /// The camera's noise, where it is known better than the frames tell.
    pub camera: Option<GivenNoise>,
    /// The light the others are aligned to; chosen when `None`.
    pub reference: Option<PathBuf>,
    /// Where the ground is known from.
    pub ground: GroundChoice,
    /// Whether a pattern of the sensor is looked for in the lights and taken off them.
    pub sensor_pattern: PatternChoice,
    /// When lights are left out.
    pub cull: CullOptions,
    /// Most memory that the job takes, bytes.
    pub memory_bytes: u64,
    /// Folder for scratch files, where frames and result wait that do not fit in it.
    pub scratch_dir: PathBuf,
}

impl StackJob {
    /// A job with everything but the inputs at its default.
    pub fn new(inputs: Inputs) -> Self {
        Self {
            inputs,
            options: StackOptions::default(),
            from_mosaic: None,
            predict: Predict::default(),
            camera: None,
            reference: None,
            ground: GroundChoice::default(),
            sensor_pattern: PatternChoice::default(),
            cull: CullOptions::default(),
            memory_bytes: default_memory_bytes(),
            scratch_dir: std::env::temp_dir(),
        }
    }
}

/// A finished job.
#[derive(Debug)]
pub struct StackOutcome {
    /// The picture.
    pub stack: StoredStack,
    /// How photosites became the picture, where they did: then it is on a grid of its own.
    pub second_pass: Option<SecondPass>,
    /// The estimator it was made by, where the job left a choice.
    pub combine: Combine,
    /// Why so few lights were not clipped by the camera's noise; `None` where they were, or
    /// need not.
    pub not_predicted: Option<String>,
    /// The balance in which its colors were compared, where demosaicing compares any.
    pub white: RecordedWhite,
    /// Its noise.
    pub noise: GainReport,
    /// The ground in it, stacked where it stands; `None` where all is sky.
    pub ground: Option<Ground>,
    /// What came of looking for a pattern of the sensor, where that was asked for.
    pub sensor_pattern: Option<PatternOutcome>,
    /// The sensor behind it, by channel.
    pub sensor: Vec<ChannelSensor>,
    /// The shapes of its stars.
    pub stars: StarShapes,
    /// Lights in it, in capture order.
    pub lights: Vec<SolvedLight>,
    /// Index of the reference among them.
    pub reference: usize,
    /// Frames that calibrated them.
    pub calibration: Vec<SessionFrame>,
    /// Masters made elsewhere that did.
    pub masters: Vec<GivenMaster>,
    /// What the dark signal was multiplied by, where it was.
    pub dark_scale: Option<DarkScale>,
    /// What was not used.
    pub left_out: Vec<LeftOut>,
    /// Sensor layout of the lights.
    pub layout: SensorLayout,
    /// What the lights' maps are made of.
    pub geometry: report::Geometry,
    /// Digest of what went in.
    pub digest: String,
    /// Time of each stage.
    pub stopwatch: Stopwatch,
    /// Half-stacks, where they were asked for.
    pub halves: Option<Halves>,
    /// A few places of the picture beside the same ones of the reference.
    pub close_look: CloseLook,
}

impl StackJob {
    /// Does the job; nothing is written but scratch data.
    ///
    /// # Errors
    ///
    /// See [`JobError`]. Single bad inputs are left out with their reason instead.
    pub fn run(&self, progress: &dyn Progress) -> Result<StackOutcome, JobError> {
        self.run_keeping(false, progress)
    }

    /// As [`run`](Self::run), with the half-stacks kept: the memory of two more pictures.
    ///
    /// # Errors
    ///
    /// As there.
    pub fn run_with_halves(&self, progress: &dyn Progress) -> Result<StackOutcome, JobError> {
        self.run_keeping(true, progress)
    }

    fn run_keeping(&self, halves: bool, progress: &dyn Progress) -> Result<StackOutcome, JobError> {
        let mut stopwatch = Stopwatch::default();
        let mask = self.ground.read()?;
        let budget = self.budget(halves);
        let mut session = gather(&self.inputs, &budget, progress)?;
        stopwatch.lap("read");
        if let Some(path) = &self.reference {
            find_reference(&session, path)?;
        }
        progress.stage("making masters", 0);
        let (calibrator, dark_scale) = calibrated(&session)?;
        if let Some(scale) = &dark_scale {
            progress.note(&scale.words(session.dark_scale));
        }
        self.ground.check_size(mask.as_ref(), calibrator.layout())?;
        stopwatch.lap("calibrate");
        let reference = self.reference.as_deref();
        let plan = session.plan.clone().expect("there are lights");
        let at_a_time = plan.frames_at_a_time;
        let solved = match self.ground.is_all(mask.as_ref()) {
            true => solve_still(&mut session, calibrator, reference, at_a_time, progress)?,
            false => solve(
                &mut session,
                calibrator,
                reference,
                mask.as_ref(),
                &self.cull,
                at_a_time,
                progress,
            )?,
        };
        stopwatch.lap("align");
        let outcome = self.stack(session, solved, mask, &plan, stopwatch, halves, progress)?;
        Ok(StackOutcome {
            dark_scale,
            ..outcome
        })
    }

    #[allow(clippy::too_many_arguments, reason = "the second half of the job")]
    fn stack(
        &self,
        session: Session,
        solved: Solved,
        given: Option<Array2<bool>>,
        plan: &MemoryPlan,
        mut stopwatch: Stopwatch,
        keep: bool,
        progress: &dyn Progress,
    ) -> Result<StackOutcome, JobError> {
        let Solved {
            mut lights,
            reference,
            calibrator,
            geometry,
        } = solved;
        let layout = calibrator.layout().clone();
        let trails = self.options.combine == Combine::Max;
        let all_ground = self.ground.is_all(given.as_ref());
        let ground = match trails || all_ground {
            // Nothing is aligned, so nothing moves against anything else.
            true => None,
            false => set_apart(
                &self.ground,
                given,
                &mut lights,
                reference,
                &calibrator,
                plan.frames_at_a_time,
                progress,
            )?,
        };
        stopwatch.lap("ground");
        let (combine, not_predicted) = self.combine_for(&session, &lights, reference, &layout)?;
        let stacking = StackOptions {
            // The largest sample has no noise to measure; that of a mean stands in for it.
            combine: if trails { Combine::Mean } else { combine },
            demosaic: match self.options.demosaic {
                // A picture of half the size is a second pass: noise is measured at full size.
                DemosaicMethod::Superpixel => DemosaicMethod::Bilinear,
                demosaic => demosaic,
            },
            white: white::of_light(&lights[reference], &layout.cfa),
            ..self.options
        };
        let saturation_dn = saturation_dn(&lights, &calibrator);
        let options = NoiseOptions {
            saturation_dn: Some(saturation_dn),
            ..NoiseOptions::default()
        };
        // Trails that nothing aligns have no shape to measure.
        let shaped = match all_ground {
            true => &[],
            false => lights[reference].seen.stars.as_slice(),
        };
        let stars = star_observer(shaped, &lights, &layout, saturation_dn, self.options.kernel);
        let size = (layout.width, layout.height);
        let inputs: Vec<stack::Light> = lights.iter().map(|l| l.light.clone()).collect();
        let positions_px = positions_px(&inputs, size);
        let track = SensorTrack::new(size, TRACK_LATTICE, &positions_px, self.options.kernel);
        let scene = Scene {
            job: self,
            session: &session,
            lights: &lights,
            reference,
            geometry: &geometry,
            stars: &stars,
            saturation_dn,
            all_ground,
            positions_px,
            track,
        };
        let parts = Parts {
            lights: &inputs,
            stars: &lights[reference].seen.stars,
            calibrator: &calibrator,
            options: &stacking,
            noise: &options,
            keep,
            plan,
            progress,
        };
        let measured = scene.measure(&parts, ground, None, &mut stopwatch)?;
        let looks_for_pattern = self.sensor_pattern == PatternChoice::Auto;
        let (measured, without, sensor_pattern) = match looks_for_pattern && !trails && !all_ground
        {
            true => {
                let found = scene.without_pattern(&parts, measured, &mut stopwatch)?;
                (found.0, found.1, Some(found.2))
            }
            false => (measured, None, None),
        };
        let parts = Parts {
            lights: without.as_ref().unwrap_or(&inputs),
            ..parts
        };
        let Measured {
            mut stack,
            stars,
            halves,
            sensor,
            noise,
            mut ground,
        } = measured;
        if trails {
            stack = parts.trails()?;
            stopwatch.lap("trails");
        }
        let half_size = self.options.demosaic == DemosaicMethod::Superpixel;
        let (stack, second_pass) = match self.from_mosaic {
            Some(options) => parts
                .photosites(stack, ground.as_mut(), options)
                .map(anew)?,
            None if half_size => {
                drop(stack);
                parts.superpixel(ground.as_mut()).map(anew)?
            }
            None => (stack, None),
        };
        if second_pass.is_some() {
            stopwatch.lap("second pass");
        }
        let reference_light = &parts.lights[reference];
        let close_look = parts.close_look(
            &stack,
            second_pass.as_ref(),
            ground.as_ref(),
            reference_light,
        )?;
        for (light, without) in lights.iter_mut().zip(without.into_iter().flatten()) {
            light.light = without;
        }
        let calibration = session
            .darks
            .into_iter()
            .chain(session.flats)
            .chain(session.bias)
            .collect();
        Ok(StackOutcome {
            stack,
            second_pass,
            combine,
            not_predicted,
            white: stacking.white,
            noise,
            ground,
            sensor_pattern,
            sensor,
            stars,
            lights,
            reference,
            calibration,
            masters: session.masters,
            dark_scale: None,
            left_out: session.left_out,
            layout,
            geometry,
            digest: session.digest,
            stopwatch,
            halves,
            close_look,
        })
    }

    /// Names the mask that leaves nothing to measure.
    pub(crate) fn because_of_mask(&self, error: JobError) -> JobError {
        match (&self.ground, error) {
            (GroundChoice::Mask(path), JobError::Noise(NoiseError::NothingMeasured { tiles })) => {
                JobError::Mask {
                    path: path.clone(),
                    problem: format!(
                        "it leaves too little sky to measure noise, in all of {tiles} tiles"
                    ),
                }
            }
            (_, error) => error,
        }
    }

    /// The estimator for these lights, and why few of them are not clipped by prediction.
    fn combine_for(
        &self,
        session: &Session,
        lights: &[SolvedLight],
        reference: usize,
        layout: &SensorLayout,
    ) -> Result<(Combine, Option<String>), JobError> {
        let Combine::SigmaClip(clip) = &self.options.combine else {
            return Ok((self.options.combine, None));
        };
        let stars = &lights[reference].seen.stars;
        let measured = || Ok(sensor(session, lights, stars, layout)?);
        let choice = self
            .predict
            .choose(clip, lights.len(), self.camera, measured)?;
        Ok(match choice {
            ClipChoice::Scatter { not_predicted } => (self.options.combine, not_predicted),
            ClipChoice::Predicted(clip) => (Combine::PredictedClip(clip), None),
        })
    }

    pub(crate) fn report_context(
        &self,
        layout: &SensorLayout,
        patterns: &[PatternPrior],
    ) -> ReportContext {
        let (columns, rows) = REGION_GRID;
        let sites = layout.cfa.values();
        let share = |channel: Channel| {
            sites.iter().filter(|&&site| site == channel).count() as f64 / sites.len() as f64
        };
        let channels = layout.cfa.channels();
        let info = |(&channel, &pattern): (&Channel, &PatternPrior)| ChannelInfo {
            name: channel.letter().to_owned(),
            photosite_share: share(channel),
            pattern,
        };
        ReportContext {
            regions: regions(layout.width, layout.height, columns, rows),
            channels: channels.iter().zip(patterns).map(info).collect(),
            estimator: match self.options.combine {
                // A Winsorized mean at 3 sigmas costs less than a thousandth more than a mean.
                Combine::Mean | Combine::Winsorized(_) | Combine::Max => Estimator::Mean,
                Combine::Median => Estimator::Median,
                Combine::SigmaClip(_) | Combine::PredictedClip(_) => Estimator::SigmaClip,
            },
            positions_px: None,
            transparency: Vec::new(),
            track: None,
            subtracted: None,
        }
    }

    /// What the job may take in memory.
    pub fn memory_budget(&self) -> MemoryBudget {
        self.budget(false)
    }

    fn budget(&self, halves: bool) -> MemoryBudget {
        let trails = self.options.combine == Combine::Max;
        MemoryBudget {
            limit_bytes: self.memory_bytes,
            scratch_dir: self.scratch_dir.clone(),
            threads: rayon::current_num_threads(),
            making: match (halves, &self.ground) {
                (true, _) => Making::WithHalves,
                (false, GroundChoice::None | GroundChoice::All) if !trails => Making::OneStack,
                // Of trails, the stack that is measured and the one that is shown.
                (false, _) => Making::SkyAndGround,
            },
            anew: match (self.from_mosaic, self.options.demosaic) {
                (Some(options), _) => Anew::Photosites {
                    scale: options.scale,
                },
                (None, DemosaicMethod::Superpixel) => Anew::HalfSize,
                (None, _) => Anew::No,
            },
            sensor_pattern: self.sensor_pattern,
            most_predicted: match &self.options.combine {
                Combine::SigmaClip(clip) => self.predict.most_lights(clip),
                _ => 0,
            },
        }
    }
}

fn anew((stack, made): (StoredStack, SecondPass)) -> (StoredStack, Option<SecondPass>) {
    (stack, Some(made))
}

/// Level at which the part of the sensor and the light that saturate first are full, DN on
/// the stack's scale.
fn saturation_dn(lights: &[SolvedLight], calibrator: &Calibrator) -> f32 {
    let scales = lights.iter().map(|light| light.light.scale);
    scales.fold(f32::INFINITY, f32::min) * calibrator.saturation_dn()
}

/// Where each light sees the field on the sensor, px off its place in the reference, on a
/// lattice: a turning field moves at its edges and not in the middle.
pub(crate) fn positions_px(
    lights: &[stack::Light],
    (width, height): (usize, usize),
) -> Vec<Vec<(f64, f64)>> {
    lights
        .iter()
        .map(|light| {
            let (columns, rows) = TRACK_LATTICE;
            let lattice = light.map.lattice(width, height, columns, rows);
            let moved = lattice
                .iter()
                .map(|[x, y, frame_x, frame_y]| (frame_x - x, frame_y - y));
            moved.collect()
        })
        .collect()
}

impl StackOutcome {
    /// Whether darks were there.
    pub fn has(&self, kind: FrameKind) -> bool {
        let frames = self.calibration.iter().map(|frame| frame.kind);
        let masters = self.masters.iter().map(|master| master.kind);
        frames.chain(masters).any(|found| found == kind)
    }
}
