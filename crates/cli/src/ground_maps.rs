//! Where the ground of one light lies on all of them.

use crate::blend_brightness::steps_to;
use crate::light::SolvedLight;
use crate::light_cells::LightCells;
use crate::progress::Progress;
use align::{GroundLens, GroundPlace, GroundTurn, GroundView, Lens, PixelMap, SeenGround};
use ndarray::Array2;
use stack::StackError;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Motion of the ground up to which a camera stands still, px: what registering its texture
/// cannot tell from none.
const STILL_PX: f64 = 1.0;
/// Standard errors of its place that a motion must have to be believed.
const MOTION_SIGMAS: f64 = 5.0;
/// How far around a given ground its ridge is looked at, cells.
const RIDGE_CELLS: usize = 2;
/// Neighbors in time without the ground from which no more are looked at, as long as none
/// has it.
const MOST_MISSES: usize = 3;
/// Share of the lights that show the ground from which its motion is believed.
const LEAST_MOVED: f64 = 0.2;
/// Distance from where the turn of the others has it at which a place is not believed, px:
/// smeared ridges that agree do so to two.
const MISPLACED_PX: f64 = 20.0;
/// Share of the lights that must show the ground where the stars do not tell its place.
const LEAST_SEEN: f64 = 0.75;

/// Where the ground of one light lies on every light.
pub(crate) struct GroundMaps {
    /// The light whose ground it is.
    pub of: usize,
    /// Pixel of that light to pixel of each light, lights in capture order.
    pub maps: Vec<PixelMap>,
    /// Lights that do not show it, or not enough: its place follows from the stars'.
    pub unseen: Vec<usize>,
    /// Whether it moves by more than its places are uncertain.
    pub moves: bool,
}

impl GroundMaps {
    /// The same for the ground of another light; `None` where maps cannot be joined.
    pub fn maps_from(&self, light: usize) -> Option<Vec<PixelMap>> {
        if light == self.of {
            return Some(self.maps.clone());
        }
        let back = self.maps[light].inverse()?;
        self.maps.iter().map(|map| back.then(map)).collect()
    }
}

/// Where the ground lies on every light: that of the reference or, where that shows none, of
/// the last or the first light. `None` where the lights have no ground in common. Where it does
/// not move it lies in the same place on all.
///
/// - `given`: where the reference has ground, when that is known; nothing else is looked at.
pub(crate) fn ground_maps(
    cells: &LightCells,
    reference: usize,
    given: Option<&Array2<bool>>,
    progress: &dyn Progress,
) -> Result<Option<GroundMaps>, StackError> {
    let search = Search::new(cells, progress);
    let found = search.run(reference, given)?;
    if found.is_some() || given.is_some() {
        return Ok(found);
    }
    for of in [cells.lights.len() - 1, 0] {
        if of != reference
            && let Some(found) = search.run(of, None)?
        {
            return Ok(Some(found));
        }
    }
    Ok(None)
}

/// The search for a ground that lights have in common.
struct Search<'a> {
    cells: &'a LightCells<'a>,
    lights: &'a [SolvedLight],
    lens: GroundLens,
    size: (usize, usize),
    progress: &'a dyn Progress,
}

impl<'a> Search<'a> {
    fn new(cells: &'a LightCells<'a>, progress: &'a dyn Progress) -> Self {
        let lights = cells.lights;
        let lens = lights.iter().find_map(|light| light.light.map.lens());
        let info = &lights[0].frame.frame.info;
        let stated = info.focal_length_mm.zip(info.pixel_pitch_um);
        let stated_px = stated.map(|(mm, um)| 1000.0 * mm / um);
        Self {
            cells,
            lights,
            lens: lens.map_or(GroundLens::Rectilinear(stated_px), |lens| {
                // A ground as near as this is not seen through bent light.
                GroundLens::Known(lens.behind(None))
            }),
            size: cells.size,
            progress,
        }
    }

    fn view(&self, light: usize, keep: Option<&Array2<bool>>) -> Result<GroundView, StackError> {
        let (cells, cell_px) = (self.cells.of(light)?, self.cells.cell_px);
        let view = GroundView::new(&cells, cell_px, self.size);
        Ok(match keep {
            None => view,
            Some(ground) => view.limited_to(&near_in_cells(ground, cells.dim(), cell_px)),
        })
    }

    /// Finds the ground of one light on the others.
    fn run(
        &self,
        of: usize,
        given: Option<&Array2<bool>>,
    ) -> Result<Option<GroundMaps>, StackError> {
        let own = self.view(of, given)?;
        let places = self.places(of, &own)?;
        if let Some(found) = self.joined(of, &places) {
            return Ok(Some(found));
        }
        let Some(lens) = self.sidereal_lens(of, &places) else {
            return Ok(None);
        };
        let surer = Self { lens, ..*self };
        Ok(surer.joined(of, &surer.places(of, &own)?))
    }

    /// The lens by which the ground turns at the sidereal rate where it is seen best; `None`
    /// where the lens is known, or no ground is seen.
    fn sidereal_lens(&self, of: usize, places: &[Option<GroundPlace>]) -> Option<GroundLens> {
        let GroundLens::Rectilinear(_) = self.lens else {
            return None;
        };
        let found = places.iter().enumerate();
        let found = found.filter_map(|(i, place)| Some((i, place.as_ref()?)));
        let (light, best) = found.min_by(|(_, a), (_, b)| a.error_px.total_cmp(&b.error_px))?;
        let seen = self.seen(of, light, best)?;
        GroundTurn::sidereal_lens(&seen, &best.lens, self.size).map(GroundLens::ByTurn)
    }

    /// The place of a light's ground on each other.
    fn places(&self, of: usize, own: &GroundView) -> Result<Vec<Option<GroundPlace>>, StackError> {
        let done = AtomicUsize::new(0);
        // Outwards, so that each lies near to the one before.
        let (before, after) = rayon::join(
            || self.places_on((0..of).rev(), of, own, &done),
            || self.places_on(of + 1..self.lights.len(), of, own, &done),
        );
        let mut places = vec![None; self.lights.len()];
        for (light, place) in before?.into_iter().chain(after?) {
            places[light] = Some(place);
        }
        Ok(places)
    }

    /// The places on some lights, each guessed from the one before.
    fn places_on(
        &self,
        lights: impl Iterator<Item = usize>,
        of: usize,
        own: &GroundView,
        done: &AtomicUsize,
    ) -> Result<Vec<(usize, GroundPlace)>, StackError> {
        let mut places: Vec<(usize, GroundPlace)> = Vec::new();
        let mut misses = 0;
        for light in lights {
            let last = places.last();
            let guess = last.and_then(|(last, place)| self.guess(of, *last, place, light));
            match own.find_on(&self.view(light, None)?, &self.lens, guess.as_ref()) {
                Some(place) => places.push((light, place)),
                None => misses += 1,
            }
            self.progress
                .advance(done.fetch_add(1, Ordering::Relaxed) + 1);
            if places.is_empty() && misses == MOST_MISSES {
                break;
            }
        }
        Ok(places)
    }

    /// Maps of all lights from the places on those that show the ground.
    fn joined(&self, of: usize, places: &[Option<GroundPlace>]) -> Option<GroundMaps> {
        let turn = self.turn(of, places);
        let places = &self.believed(of, places, turn.as_ref());
        let unseen = |&i: &usize| i != of && places[i].is_none();
        let unseen: Vec<usize> = (0..places.len()).filter(unseen).collect();
        let others = places.len() - 1;
        let seen = others - unseen.len();
        let moved = places
            .iter()
            .flatten()
            .filter(|place| place.moved_px > f64::max(STILL_PX, MOTION_SIGMAS * place.error_px))
            .count();
        // One place among many may be wrong.
        let moves = moved as f64 > LEAST_MOVED * seen as f64;
        // What nothing else speaks for has to be seen nearly everywhere.
        if turn.is_none() && (seen as f64) < LEAST_SEEN * others as f64 {
            return None;
        }
        let still = || vec![PixelMap::identity(); places.len()];
        let maps = match moves {
            false => still(),
            true => {
                let map = |i: usize| match &places[i] {
                    _ if i == of => Some(PixelMap::identity()),
                    Some(place) => Some(place.map.clone()),
                    None => self.by_stars(of, i, turn.as_ref(), places),
                };
                (0..places.len()).map(map).collect::<Option<_>>()?
            }
        };
        Some(GroundMaps {
            of,
            maps,
            unseen,
            moves,
        })
    }

    /// The places without those that contradict the turn that the others agree on.
    fn believed(
        &self,
        of: usize,
        places: &[Option<GroundPlace>],
        turn: Option<&GroundTurn>,
    ) -> Vec<Option<GroundPlace>> {
        let misplaced = |light: usize, place: &GroundPlace| {
            let seen = turn.zip(self.seen(of, light, place));
            seen.is_some_and(|(turn, seen)| turn.distance_px(&seen, self.size) > MISPLACED_PX)
        };
        let places = places.iter().enumerate();
        places
            .map(|(i, place)| place.clone().filter(|place| !misplaced(i, place)))
            .collect()
    }

    /// Where the ground should lie on a light, by its place on another.
    fn guess(
        &self,
        of: usize,
        last: usize,
        place: &GroundPlace,
        light: usize,
    ) -> Option<GroundPlace> {
        let by_stars = || {
            let turn = GroundTurn::of_one(&self.seen(of, last, place)?, &place.lens, self.size)?;
            let sky = self.by_sky(of, light)?;
            place.moved_to(
                turn.at(self.seconds(of, light)?, &sky, self.size)?,
                self.size,
            )
        };
        by_stars().or_else(|| Some(place.clone()))
    }

    /// How the ground turns against the stars, by the places where it was found.
    fn turn(&self, of: usize, places: &[Option<GroundPlace>]) -> Option<GroundTurn> {
        let seen = places.iter().enumerate();
        let seen = seen.filter_map(|(i, place)| self.seen(of, i, place.as_ref()?));
        GroundTurn::fit(
            &seen.collect::<Vec<_>>(),
            &self.common_lens(places)?,
            self.size,
        )
    }

    /// The lens, or the typical one of those that the places were found with.
    fn common_lens(&self, places: &[Option<GroundPlace>]) -> Option<Lens> {
        if let GroundLens::Known(lens) | GroundLens::ByTurn(lens) = self.lens {
            return Some(lens);
        }
        let mut lenses: Vec<Lens> = places.iter().flatten().map(|place| place.lens).collect();
        lenses.sort_by(|a, b| a.focal_px().total_cmp(&b.focal_px()));
        lenses.get(lenses.len() / 2).copied()
    }

    fn seen(&self, of: usize, light: usize, place: &GroundPlace) -> Option<SeenGround> {
        Some(SeenGround {
            seconds: self.seconds(of, light)?,
            by_ground: place.map.clone(),
            by_sky: self.by_sky(of, light)?,
        })
    }

    /// Where the ground lies on a light that does not show it: where its turn against the
    /// stars takes it or, where that is not known, as against the stars in the nearest light.
    fn by_stars(
        &self,
        of: usize,
        light: usize,
        turn: Option<&GroundTurn>,
        places: &[Option<GroundPlace>],
    ) -> Option<PixelMap> {
        if let Some(turn) = turn
            && let Some(seconds) = self.seconds(of, light)
        {
            return turn.at(seconds, &self.by_sky(of, light)?, self.size);
        }
        let seen = (0..places.len()).filter(|&i| places[i].is_some() || i == of);
        let nearest = seen.min_by_key(|&i| i.abs_diff(light))?;
        let on_nearest = match &places[nearest] {
            Some(place) => place.map.clone(),
            None => PixelMap::identity(),
        };
        on_nearest.then(&self.by_sky(nearest, light)?)
    }

    /// From one light to another by the stars.
    fn by_sky(&self, from: usize, to: usize) -> Option<PixelMap> {
        let map = |i: usize| &self.lights[i].light.map;
        map(from).inverse()?.then(map(to))
    }

    fn seconds(&self, from: usize, to: usize) -> Option<f64> {
        let captured = |i: usize| self.lights[i].frame.frame.info.captured;
        Some(captured(to)?.seconds_since(&captured(from)?))
    }
}

/// Cells on a ground and along its ridge.
fn near_in_cells(ground: &Array2<bool>, cells: (usize, usize), cell_px: usize) -> Array2<bool> {
    let steps = steps_to(ground);
    Array2::from_shape_fn(cells, |(row, col)| {
        steps[(row * cell_px, col * cell_px)] <= RIDGE_CELLS * cell_px
    })
}
