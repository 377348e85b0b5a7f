//! True noise of an invented night: a twin of it without noise goes through the same
//! engine, and what the two differ by is noise and nothing else.

use ndarray::Array2;
use noise::{ChannelNoise, Region};
use radicand::{Inputs, StackJob, StackOutcome, calibrator, gather};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use raw::{Channel, Rect};
use stack::{
    Calibrator, Combine, DefectMap, Light, MasterFlat, SensorLayout, StackOptions, StoredMosaic,
    TileObserver, TileSamples,
};
use std::path::Path;
use synth::{Scene, Simulator, Weather, write_scene};

/// Side of the blocks whose means "area" noise is about, px.
const BLOCK_PX: usize = 8;
/// Blocks to each side whose mean is taken for the smooth part of a block's error: what
/// is left of dark signal and amplifier glow where there are no darks is no noise. Far
/// beyond the lights' track, along which a fixed pattern makes neighbors alike.
const SMOOTH_REACH: usize = 6;
/// Blocks to each side that a block is held against for starlight.
const REACH: usize = 2;
/// Fewest blocks for such a mean.
const FEWEST: usize = 9;
/// Share of its surroundings that starlight may add to a block: the noise of that light is
/// not the sky's.
const STARLIGHT: f64 = 0.03;
/// Blocks further out than this many robust sigmas are no noise but satellites and hot
/// pixels, which the report counts out as well.
const OUTLIER_SIGMAS: f64 = 6.0;
/// Regions that less of the lights reach, as a factor of the gain, are left out: their noise
/// changes so much from block to block that few blocks do not tell it.
const COVERED: f64 = 0.98;
/// Ground within this distance spoils a region of sky that moves over it, px.
const GROUND_MARGIN_PX: usize = 48;

/// One channel of one region: what was reported, and what is so.
#[derive(Clone, Copy, Debug)]
pub struct Cell {
    /// Where.
    pub region: Region,
    /// What the report says.
    pub reported: ChannelNoise,
    /// Area noise of the typical light, DN: root of the lights' median variance.
    pub single_dn: f64,
    /// Area noise of the stack, DN.
    pub stack_dn: f64,
    /// Blocks that know `stack_dn`.
    pub blocks: usize,
    /// Lights that know `single_dn`, each by as many.
    pub lights: usize,
}

impl Cell {
    /// The gain that this very stack has.
    pub fn gain(&self) -> f64 {
        self.single_dn / self.stack_dn
    }

    /// Relative scatter of a noise realized in the blocks.
    fn scatter(&self) -> f64 {
        (2.0 * self.blocks as f64).sqrt().recip()
    }

    /// One standard error of the reported gain against the true one: what the report says
    /// of the gain to be expected, and the scatter of a noise realized in so many blocks.
    pub fn error(&self) -> f64 {
        self.reported.error.hypot(self.gain() * self.scatter())
    }

    /// The reported noise of the typical light, the true one, and their standard error, DN.
    pub fn single(&self) -> (f64, f64, f64) {
        let single = &self.reported.single;
        // A median of lights, which costs a root of pi/2.
        let lights = (self.lights as f64 / std::f64::consts::FRAC_PI_2).max(1.0);
        let scatter = self.single_dn * self.scatter() / lights.sqrt();
        (
            single.area,
            self.single_dn,
            single.area_error.hypot(scatter),
        )
    }

    /// The reported noise of the stack, the true one, and their standard error, DN.
    pub fn stack(&self) -> (f64, f64, f64) {
        let stack = &self.reported.stack;
        let scatter = self.stack_dn * self.scatter();
        (stack.area, self.stack_dn, stack.area_error.hypot(scatter))
    }

    /// The reported gain, the true one, and their standard error.
    pub fn gains(&self) -> (f64, f64, f64) {
        (self.reported.gain_area, self.gain(), self.error())
    }

    /// Distance of the reported gain from the true one in such errors.
    pub fn z(&self) -> f64 {
        (self.reported.gain_area - self.gain()) / self.error()
    }
}

/// A night stacked, with its true noise.
pub struct TwinNight {
    /// What the job made of it.
    pub outcome: StackOutcome,
    /// Every region and channel of open sky that all lights reach.
    pub cells: Vec<Cell>,
}

/// Simulates a scene, stacks the frames of some of its folders and their twin.
///
/// # Panics
///
/// When a step of the job fails: this is a check.
pub fn twin_night(scene: &Scene, folders: &[&str]) -> TwinNight {
    twin_night_by(scene, folders, |_| ())
}

/// The same by a job that is set up in some way.
///
/// # Panics
///
/// As there.
pub fn twin_night_by(
    scene: &Scene,
    folders: &[&str],
    set_up: impl FnOnce(&mut StackJob),
) -> TwinNight {
    let temp = tempfile::tempdir().expect("a folder");
    write_scene(scene, temp.path(), |_| ()).expect("a scene on disk");
    let lights = folders.iter().map(|name| temp.path().join(name)).collect();
    let mut job = StackJob::new(Inputs {
        lights,
        ..Inputs::default()
    });
    set_up(&mut job);
    let outcome = job.run(&()).expect("a stack");
    let simulator = Simulator::new(scene).expect("a scene");

    let session = gather(&job.inputs, &job.memory_budget(), &()).expect("the frames again");
    let noisy_calibrator = calibrator(&session).expect("masters");
    let lights: Vec<Light> = outcome.lights.iter().map(|l| l.light.clone()).collect();
    let mut noisy = Blocks::of(&lights, &noisy_calibrator, &job.options, &outcome.layout);
    if outcome.sensor_pattern.is_some() {
        // A stack without the sensor's pattern is held against lights as they were recorded.
        let recorded = outcome.lights.iter().map(|light| Light {
            mosaic: light.frame.mosaic.clone(),
            ..light.light.clone()
        });
        let recorded: Vec<Light> = recorded.collect();
        let blocks = Blocks::of(&recorded, &noisy_calibrator, &job.options, &outcome.layout);
        noisy.lights = blocks.lights;
    }

    let flats = folders.contains(&"flats");
    let calibrator = twin_calibrator(&simulator, &outcome.layout, flats);
    let twins: Vec<Light> = outcome
        .lights
        .iter()
        .map(|light| Light {
            mosaic: twin(&simulator, &outcome.layout, light.frame.path()),
            ..light.light.clone()
        })
        .collect();
    let mean = StackOptions {
        combine: Combine::Mean,
        ..job.options
    };
    let twin = Blocks::of(&twins, &calibrator, &mean, &outcome.layout);
    let cells = cells(&outcome, &simulator, &noisy, &twin);
    TwinNight { outcome, cells }
}

/// Which of the scene's shots a file is.
///
/// # Panics
///
/// When it is none: this is a check.
pub fn shot_of(simulator: &Simulator, path: &Path) -> usize {
    let shots = simulator.scene().shots();
    let shot = shots
        .iter()
        .position(|shot| shot.path.file_name() == path.file_name());
    shot.expect("a shot of the scene")
}

/// The light of a file without noise, as the sensor would record it. Rounding is
/// dithered, so that no pattern comes of it.
fn twin(simulator: &Simulator, layout: &SensorLayout, path: &Path) -> StoredMosaic {
    let index = shot_of(simulator, path);
    let light = simulator.expected_light(index, Weather::AsItIs);
    recorded(simulator, layout, &light.expect("a light"), index)
}

fn twin_calibrator(simulator: &Simulator, layout: &SensorLayout, flats: bool) -> Calibrator {
    let flat = flats.then(|| {
        let flat = recorded(simulator, layout, &simulator.expected_flat(), usize::MAX);
        MasterFlat::combine(&[&flat], layout, None).expect("a master")
    });
    let defects = DefectMap::none(layout.width, layout.height);
    Calibrator::new(layout.clone(), None, flat, defects).expect("sizes fit")
}

fn recorded(
    simulator: &Simulator,
    layout: &SensorLayout,
    light_e: &[Array2<f32>; 3],
    number: usize,
) -> StoredMosaic {
    let mut random = ChaCha8Rng::seed_from_u64(number as u64);
    let gain = simulator.scene().sensor.gain_e_per_dn as f32;
    let data = Array2::from_shape_fn((layout.height, layout.width), |(row, col)| {
        let plane = match layout.cfa.at(row, col) {
            Channel::R => 0,
            Channel::B => 2,
            _ => 1,
        };
        let black_dn = layout.black_level_dn.at(row, col);
        let value = black_dn + light_e[plane][(row, col)] / gain;
        (value + random.random::<f32>()).floor() as u16
    });
    StoredMosaic::in_memory(data)
}

/// Means over blocks: of every light and of the stack, by channel.
struct Blocks {
    /// `[channel][light]`.
    lights: Vec<Vec<Array2<f64>>>,
    /// `[channel]`.
    stack: Vec<Array2<f64>>,
}

impl Blocks {
    fn of(
        lights: &[Light],
        calibrator: &Calibrator,
        options: &StackOptions,
        layout: &SensorLayout,
    ) -> Self {
        let (_, tiles) =
            stack::stack(lights, calibrator, options, &BlockMeans, &|_, _| ()).expect("a stack");
        let shape = (layout.height / BLOCK_PX, layout.width / BLOCK_PX);
        let channels = layout.cfa.channels().len();
        let blank = Array2::from_elem(shape, f64::NAN);
        let mut blocks = Self {
            lights: vec![vec![blank.clone(); lights.len()]; channels],
            stack: vec![blank; channels],
        };
        for tile in tiles {
            let (row, col) = (tile.area.y0 / BLOCK_PX, tile.area.x0 / BLOCK_PX);
            let put = |plane: &mut Array2<f64>, means: &Array2<f64>| {
                for ((r, c), &mean) in means.indexed_iter() {
                    plane[(row + r, col + c)] = mean;
                }
            };
            put(&mut blocks.stack[tile.channel], &tile.stack);
            for (plane, means) in blocks.lights[tile.channel].iter_mut().zip(&tile.lights) {
                put(plane, means);
            }
        }
        blocks
    }
}

/// Takes the means of the blocks of every tile.
struct BlockMeans;

struct TileBlocks {
    area: Rect,
    channel: usize,
    lights: Vec<Array2<f64>>,
    stack: Array2<f64>,
}

impl TileObserver for BlockMeans {
    type Summary = TileBlocks;

    fn observe(&self, tile: &TileSamples<'_>) -> TileBlocks {
        let width = tile.area.width();
        let shape = (tile.area.height() / BLOCK_PX, width / BLOCK_PX);
        let means = |plane: &[f32]| {
            Array2::from_shape_fn(shape, |(row, col)| {
                let rows = row * BLOCK_PX..(row + 1) * BLOCK_PX;
                let sum: f64 = rows
                    .flat_map(|r| &plane[r * width + col * BLOCK_PX..][..BLOCK_PX])
                    .map(|&value| f64::from(value))
                    .sum();
                sum / (BLOCK_PX * BLOCK_PX) as f64
            })
        };
        TileBlocks {
            area: tile.area,
            channel: tile.channel,
            lights: tile.samples.iter().map(|plane| means(plane)).collect(),
            stack: means(tile.mean),
        }
    }
}

fn cells(
    outcome: &StackOutcome,
    simulator: &Simulator,
    noisy: &Blocks,
    twin: &Blocks,
) -> Vec<Cell> {
    let starlit: Vec<Array2<bool>> = twin.stack.iter().map(starlit).collect();
    let errors = |noisy: &Array2<f64>, twin: &Array2<f64>, starlit: &Array2<bool>| {
        let mut error = noisy - twin;
        error.zip_mut_with(starlit, |error, &starlit| {
            if starlit {
                *error = f64::NAN;
            }
        });
        without_smooth_part(&error)
    };
    let cover = simulator.ground_cover(outcome.reference);
    let mut cells = Vec::new();
    for (channel, starlit) in starlit.iter().enumerate() {
        let stack = errors(&noisy.stack[channel], &twin.stack[channel], starlit);
        let pairs = noisy.lights[channel].iter().zip(&twin.lights[channel]);
        let lights: Vec<_> = pairs.map(|(a, b)| errors(a, b, starlit)).collect();
        for measured in &outcome.noise.regions {
            let region = measured.region;
            if cover
                .as_ref()
                .is_some_and(|cover| holds_ground(&region, cover))
            {
                continue;
            }
            let mut found = measured.channels.iter();
            let found = found.find(|c| c.channel == channel && c.budget.coverage > COVERED);
            let (Some(&reported), Some((stack_dn, blocks))) = (found, area_noise(&stack, &region))
            else {
                continue;
            };
            let mut singles: Vec<f64> = lights
                .iter()
                .filter_map(|light| area_noise(light, &region))
                .map(|(noise_dn, _)| noise_dn * noise_dn)
                .collect();
            cells.push(Cell {
                region,
                reported,
                single_dn: median(&mut singles).sqrt(),
                stack_dn,
                blocks,
                lights: outcome.lights.len(),
            });
        }
    }
    cells
}

/// Blocks that stars make brighter than their surroundings.
fn starlit(stack: &Array2<f64>) -> Array2<bool> {
    Array2::from_shape_fn(stack.dim(), |place| {
        let mut around: Vec<f64> = near(stack, place, REACH).collect();
        let limit = median(&mut around) * (1.0 + STARLIGHT);
        stack[place].is_nan() || stack[place] > limit
    })
}

fn near(
    plane: &Array2<f64>,
    (row, col): (usize, usize),
    reach: usize,
) -> impl Iterator<Item = f64> {
    let range = move |i: usize, n: usize| i.saturating_sub(reach)..n.min(i + reach + 1);
    let columns = range(col, plane.ncols());
    range(row, plane.nrows())
        .flat_map(move |r| columns.clone().map(move |c| plane[(r, c)]))
        .filter(|value| value.is_finite())
}

/// Errors of blocks less the mean of the blocks around. Blocks are independent: what is
/// left of a block's variance after the mean of k that it is one of is scaled back.
fn without_smooth_part(error: &Array2<f64>) -> Array2<f64> {
    Array2::from_shape_fn(error.dim(), |place| {
        let (sum, k) = near(error, place, SMOOTH_REACH)
            .fold((0.0, 0usize), |(sum, k), value| (sum + value, k + 1));
        if k < FEWEST {
            return f64::NAN;
        }
        (error[place] - sum / k as f64) / (1.0 - 1.0 / k as f64).sqrt()
    })
}

/// White-equivalent noise of the blocks of a region, and their number.
fn area_noise(errors: &Array2<f64>, region: &Region) -> Option<(f64, usize)> {
    let rows = region.y0 / BLOCK_PX..region.y1 / BLOCK_PX;
    let inside: Vec<f64> = rows
        .flat_map(|row| {
            (region.x0 / BLOCK_PX..region.x1 / BLOCK_PX).map(move |col| errors[(row, col)])
        })
        .filter(|error| error.is_finite())
        .collect();
    let mut sizes: Vec<f64> = inside.iter().map(|error| error.abs()).collect();
    // 1.4826: consistency of the median absolute deviation for Gaussian noise.
    let limit = OUTLIER_SIGMAS * 1.4826 * median(&mut sizes);
    let good = inside.iter().filter(|error| error.abs() <= limit);
    let (sum, n) = good.fold((0.0, 0usize), |(sum, n), error| {
        (sum + error * error, n + 1)
    });
    let variance = sum / n as f64 * (BLOCK_PX * BLOCK_PX) as f64;
    (n >= FEWEST).then_some((variance.sqrt(), n))
}

fn holds_ground(region: &Region, cover: &Array2<f32>) -> bool {
    let (rows, columns) = cover.dim();
    let rows = region.y0.saturating_sub(GROUND_MARGIN_PX)..rows.min(region.y1 + GROUND_MARGIN_PX);
    let columns =
        region.x0.saturating_sub(GROUND_MARGIN_PX)..columns.min(region.x1 + GROUND_MARGIN_PX);
    rows.flat_map(|row| columns.clone().map(move |col| cover[(row, col)]))
        .any(|share| share > 0.0)
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => f64::NAN,
        n => 0.5 * (values[(n - 1) / 2] + values[n / 2]),
    }
}
