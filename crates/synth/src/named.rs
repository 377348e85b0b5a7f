//! The scenes that come with the simulator.
//!
//! The place, the cameras and the lenses are invented. The sensors' figures lie in the
//! range published for sensors of recent years (from memory). The stars are real.

mod gear;
mod nights;

use crate::Scene;

/// Names that [`Scene::named`] knows, with what they show.
pub const SCENE_NAMES: [(&str, &str); 13] = [
    (
        "tripod-burst",
        "20 short lights from a tripod: drift and field rotation",
    ),
    (
        "tripod-ground",
        "the same over a ridge with trees in lamp light",
    ),
    (
        "tracked",
        "12 longer lights on a tracker that lags a little, with dither",
    ),
    (
        "tracked-ground",
        "an ill-aligned tracker that smears the ground, and a folder of still ones for that",
    ),
    (
        "ultra-wide",
        "16 lights through an ultra-wide lens with distortion, coma and lateral color",
    ),
    ("fisheye", "16 lights through a fisheye, horizon to horizon"),
    (
        "hand-held",
        "24 lights of half a second from the hand, of the ridge before dawn",
    ),
    (
        "multi-shot",
        "four shots with the sensor moved by a photosite, and their composite",
    ),
    (
        "multi-shot-fine",
        "eight shots with half photosites, and their composite",
    ),
    (
        "faults",
        "a night with cloud, satellites, dew, damaged and foreign files, darks mixed in",
    ),
    (
        "three-sessions",
        "three folders of lights from one night, each with its own target",
    ),
    ("calibration", "darks, flats and bias frames alone"),
    (
        "demo",
        "Orion setting over a snowy ridge on a winter night, and its darks",
    ),
];

impl Scene {
    /// A scene of [`SCENE_NAMES`]; `None` for any other name.
    pub fn named(name: &str) -> Option<Self> {
        let scene = match name {
            "tripod-burst" => nights::tripod_burst(),
            "tripod-ground" => nights::tripod_ground(),
            "tracked" => nights::tracked(),
            "tracked-ground" => nights::tracked_ground(),
            "ultra-wide" => nights::ultra_wide(),
            "fisheye" => nights::fisheye(),
            "hand-held" => nights::hand_held(),
            "multi-shot" => nights::multi_shot(),
            "multi-shot-fine" => nights::multi_shot_fine(),
            "faults" => nights::faults(),
            "three-sessions" => nights::three_sessions(),
            "calibration" => nights::calibration(),
            "demo" => nights::demo(),
            _ => return None,
        };
        Some(scene)
    }
}
