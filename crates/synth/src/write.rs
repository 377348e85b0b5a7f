//! A scene as files in a folder.
//!
//! ```text
//! lights/shot_0001.dng …    the lights, and in one-folder scenes everything else
//! darks/ flats/ bias/       calibration frames, numbered on
//! truth/truth.json          see [`Truth`](crate::Truth)
//! truth/reference_r.f32 …   the reference light without noise
//! truth/ground_0002.u8 …    the ground in further lights, where it moves
//! truth/crossing_0003.u8 …  where a satellite, an aircraft or a meteor is
//! composite/multi_shot.dng  what the camera makes of shots with a moved sensor
//! NAME/lights/ …            the same for every further session
//! ```

use crate::composite::Composite;
use crate::dng::{DngInfo, encode_dng, encode_rgb_dng};
use crate::scene::Damage;
use crate::sensor::channel_index;
use crate::truth::{PlaneTruth, Truth, slashed};
use crate::{Scene, Sensor, Shot, Simulator, SynthError, Weather};
use ndarray::Array2;
use raw::{FrameKind, Mosaic};
use std::fs::{self, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// Folder of the lights.
    pub lights: PathBuf,
    /// The truth.
    pub truth: PathBuf,
    /// All files, the truth last.
    pub files: Vec<PathBuf>,
}

/// How far the writing has come.
#[derive(Clone, Copy, Debug)]
pub struct Progress<'a> {
    /// Shots written.
    pub done: usize,
    /// Shots in all.
    pub total: usize,
    /// The file just written.
    pub path: &'a Path,
}

const COMPOSITE_FILE: &str = "composite/multi_shot.dng";
/// Share of a truncated file that is left.
const TRUNCATED_TO: f64 = 0.4;
/// What stands under a raw's name when it is a JPEG.
const FOREIGN_JPEG: &[u8] = include_bytes!("../assets/gray_16x16.jpg");
const FOREIGN_TEXT: &str = "Clouds from the west after midnight. Tripod at the cairn.\n";

/// Makes a scene and writes it into `folder`, which is made if need be. Files that are
/// there already are never touched.
///
/// # Errors
///
/// When the scene makes no sense, a file exists already, or the disk refuses. Files
/// written before stay; none is left half-written.
pub fn write_scene(
    scene: &Scene,
    folder: &Path,
    mut progress: impl FnMut(Progress<'_>),
) -> Result<Written, SynthError> {
    let sessions = scene.each_session();
    for (_, session) in &sessions {
        session.validate()?;
    }
    let total = sessions.iter().map(|(_, scene)| scene.shots().len()).sum();
    let mut done = 0;
    let (mut files, mut truths) = (Vec::new(), Vec::new());
    for (name, session) in &sessions {
        let folder = name.map_or(folder.to_owned(), |name| folder.join(name));
        let truth = write_session(session, &folder, &mut files, &mut |path| {
            done += 1;
            progress(Progress { done, total, path });
        })?;
        truths.push(truth);
    }
    let truth = truths.swap_remove(0);
    files.retain(|file| *file != truth);
    files.push(truth.clone());
    Ok(Written {
        lights: folder.join("lights"),
        truth,
        files,
    })
}

/// Writes one folder of frames; gives the path of its truth.
fn write_session(
    scene: &Scene,
    folder: &Path,
    files: &mut Vec<PathBuf>,
    progress: &mut dyn FnMut(&Path),
) -> Result<PathBuf, SynthError> {
    let simulator = Simulator::new(scene)?;
    let shift = scene.mount.sensor_shift;
    let mut parts = Vec::new();
    for shot in scene.shots() {
        let path = folder.join(&shot.path);
        let frame = simulator.render(&shot)?;
        put(&path, &shot_bytes(scene, &shot, &frame.mosaic)?)?;
        if shot.kind == FrameKind::Light && parts.len() < shift.shots() {
            parts.push(frame.mosaic);
        }
        progress(&path);
        files.push(path);
    }
    if let Some(composite) = Composite::of(&parts, shift) {
        let info = DngInfo::of(scene, &scene.shots()[0]);
        let bytes = encode_rgb_dng(
            &composite.planes,
            composite.black_dn,
            composite.white_dn,
            &info,
        );
        let path = folder.join(COMPOSITE_FILE);
        put(&path, &bytes?)?;
        files.push(path);
    }
    let mut foreign = Vec::new();
    for number in 1..=scene.faults.foreign_text {
        let name = Path::new("lights").join(format!("notes_{number}.txt"));
        put(&folder.join(&name), FOREIGN_TEXT.as_bytes())?;
        files.push(folder.join(&name));
        foreign.push(slashed(&name));
    }
    let planes = write_planes(&simulator, folder, files)?;
    let truth = folder.join("truth/truth.json");
    put(
        &truth,
        &serde_json::to_vec(&Truth::of(&simulator, foreign, planes))?,
    )?;
    files.push(truth.clone());
    Ok(truth)
}

/// The bytes of a shot's file, damaged as the scene wants it.
fn shot_bytes(scene: &Scene, shot: &Shot, mosaic: &Mosaic) -> Result<Vec<u8>, SynthError> {
    match shot.damage {
        Some(Damage::Empty) => return Ok(Vec::new()),
        Some(Damage::Jpeg) => return Ok(FOREIGN_JPEG.to_vec()),
        Some(Damage::Truncated) | None => {}
    }
    let mut bytes = encode_dng(mosaic, &DngInfo::of(scene, shot))?;
    if shot.damage.is_some() {
        bytes.truncate((bytes.len() as f64 * TRUNCATED_TO) as usize);
    }
    Ok(bytes)
}

/// The reference light without noise, cloud and satellites, and the lens's illumination.
fn write_planes(
    simulator: &Simulator,
    folder: &Path,
    files: &mut Vec<PathBuf>,
) -> Result<Vec<PlaneTruth>, SynthError> {
    if simulator.scene().frames == 0 {
        return Ok(Vec::new());
    }
    let gain = simulator.scene().sensor.gain_e_per_dn as f32;
    let light = simulator.expected_light(0, Weather::Clear)?;
    let [red, green, blue] = light.map(|plane| plane / gain);
    let mut planes = vec![
        ("reference_r.f32", "R", "DN above black", red),
        ("reference_g.f32", "G", "DN above black", green),
        ("reference_b.f32", "B", "DN above black", blue),
        (
            "illumination.f32",
            "illumination",
            "over the center",
            simulator.illumination().clone(),
        ),
    ];
    if let Some(cover) = simulator.ground_cover(0) {
        planes.push(("ground.f32", "ground", "share of the pixel", cover));
    }
    let mut described = Vec::new();
    let mut add = |name: &str, bytes: &[u8], (content, unit, light)| {
        let name = Path::new("truth").join(name);
        put(&folder.join(&name), bytes)?;
        files.push(folder.join(&name));
        described.push(PlaneTruth {
            file: slashed(&name),
            content,
            unit,
            light,
        });
        Ok::<_, SynthError>(())
    };
    for (name, content, unit, plane) in planes {
        add(name, &little_endian(&plane), (content, unit, 0))?;
    }
    for light in (0..simulator.scene().frames).filter(|&light| simulator.scene().is_crossed(light))
    {
        if let Some(light_e) = simulator.crossing_light(light)? {
            let bytes = mask(&simulator.scene().sensor, &light_e);
            let name = format!("crossing_{:04}.u8", light + 1);
            add(
                &name,
                &bytes,
                ("crossing", "1 where it brings a DN or more", light),
            )?;
        }
    }
    for light in 1..simulator.scene().frames {
        if !simulator.ground_moves() {
            break;
        }
        if let Some(cover) = simulator.ground_cover(light) {
            let bytes: Vec<u8> = cover
                .iter()
                .map(|share| (255.0 * share).round() as u8)
                .collect();
            let name = format!("ground_{:04}.u8", light + 1);
            add(&name, &bytes, ("ground", "1/255 of the pixel", light))?;
        }
    }
    Ok(described)
}

/// 1 for pixels that get at least a DN through their own filter, else 0.
fn mask(sensor: &Sensor, light_e: &[Array2<f32>; 3]) -> Vec<u8> {
    let own = |(row, col)| light_e[channel_index(sensor.cfa.at(row, col))][[row, col]];
    let sites = light_e[0].indexed_iter().map(|(site, _)| own(site));
    let seen = sites.map(|electrons| f64::from(electrons) >= sensor.gain_e_per_dn);
    seen.map(u8::from).collect()
}

fn little_endian(plane: &Array2<f32>) -> Vec<u8> {
    plane.iter().flat_map(|value| value.to_le_bytes()).collect()
}

/// Writes a new file; takes it away again when that fails half-way.
fn put(path: &Path, bytes: &[u8]) -> Result<(), SynthError> {
    let io = |source: std::io::Error| SynthError::Io {
        path: path.to_owned(),
        source,
    };
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent).map_err(io)?;
    }
    let mut file = match OpenOptions::new().write(true).create_new(true).open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            return Err(SynthError::Exists {
                path: path.to_owned(),
            });
        }
        Err(error) => return Err(io(error)),
    };
    file.write_all(bytes).map_err(|error| {
        // Ours, made a moment ago; that it cannot be removed adds nothing to the error.
        let _ = fs::remove_file(path);
        io(error)
    })
}
