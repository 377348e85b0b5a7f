//! The ground as one light shows it.

use crate::Simulator;
use crate::ground::{Extent, Panorama};
use crate::lens::{FWHM_PER_SIGMA, Projection};
use crate::path::Turn;
use crate::sky::surface_electrons_per_s;
use ndarray::Array2;
use rayon::prelude::*;
use std::borrow::Cow;

/// Cover and brightness of the ground at every pixel from some row on.
#[derive(Clone, Debug)]
pub(crate) struct GroundView {
    first_row: usize,
    width: usize,
    /// Share of the pixel that is ground, and brightness over the mean times that share.
    cells: Vec<[f32; 2]>,
}

impl GroundView {
    /// A row of the picture; `None` where there is only sky.
    pub(crate) fn row(&self, row: usize) -> Option<&[[f32; 2]]> {
        let start = row.checked_sub(self.first_row)? * self.width;
        self.cells.get(start..start + self.width)
    }

    fn new(
        panorama: &Panorama,
        projection: &Projection,
        turns: &[Turn],
        width: usize,
        height: usize,
    ) -> Self {
        let first_row = (0..height)
            .into_par_iter()
            .find_first(|&row| reaches(panorama, projection, turns, width, row))
            .unwrap_or(height);
        let mut cells = vec![[0.0f32; 2]; (height - first_row) * width];
        let rows = cells.par_chunks_mut(width.max(1)).enumerate();
        rows.for_each(|(i, cells)| {
            let y = (first_row + i) as f64;
            for (col, cell) in cells.iter_mut().enumerate() {
                let direction = projection.direction(col as f64, y);
                for turn in turns {
                    if turn.sin_altitude(direction) > panorama.top_sine() {
                        continue;
                    }
                    let (altitude_deg, azimuth_deg) = turn.altitude_azimuth_deg(direction);
                    let [cover, own] = panorama.at(altitude_deg, azimuth_deg);
                    let weight = turn.weight as f32;
                    *cell = [cell[0] + weight * cover, cell[1] + weight * own];
                }
            }
        });
        Self {
            first_row,
            width,
            cells,
        }
    }
}

/// Whether any of a row looks below the top of the panorama.
fn reaches(
    panorama: &Panorama,
    projection: &Projection,
    turns: &[Turn],
    width: usize,
    row: usize,
) -> bool {
    turns.iter().any(|turn| {
        (0..width).any(|col| {
            turn.sin_altitude(projection.direction(col as f64, row as f64)) <= panorama.top_sine()
        })
    })
}

impl Simulator {
    /// Draws the ground that the lights show.
    pub(crate) fn draw_ground(&self) -> Option<Panorama> {
        let scene = self.scene();
        let ground = scene.ground?;
        let pixel_deg = self.projection().pixel_scale_arcsec() / 3600.0;
        let sigma_deg = pixel_deg * scene.lens.fwhm_px / FWHM_PER_SIGMA;
        let extent = self.extent(4.0 * pixel_deg);
        Some(ground.panorama(
            ground.seed.unwrap_or(scene.seed),
            scene.pointing.azimuth_deg,
            &extent,
            pixel_deg,
            sigma_deg,
        ))
    }

    /// Azimuths and lowest altitude that the lights show, and a margin.
    fn extent(&self, margin_deg: f64) -> Extent {
        const ACROSS: usize = 24;
        let scene = self.scene();
        let (right, bottom) = (scene.width as f64 - 0.5, scene.height as f64 - 0.5);
        let mut extent = Extent {
            west_deg: f64::INFINITY,
            east_deg: f64::NEG_INFINITY,
            lowest_deg: f64::INFINITY,
        };
        let lights = (0..scene.frames).flat_map(|index| [(index, -0.5), (index, 0.5)]);
        let turns: Vec<_> = lights.map(|(index, at)| self.turn(index, at)).collect();
        for i in 0..=ACROSS * ACROSS + 2 * ACROSS {
            let (col, row) = (i % (ACROSS + 1), i / (ACROSS + 1));
            let x = right * col as f64 / ACROSS as f64;
            let y = bottom * row as f64 / ACROSS as f64;
            let direction = self.projection().direction(x, y);
            for turn in &turns {
                let (altitude, azimuth) = turn.altitude_azimuth_deg(direction);
                extent.west_deg = extent.west_deg.min(azimuth - margin_deg);
                extent.east_deg = extent.east_deg.max(azimuth + margin_deg);
                extent.lowest_deg = extent.lowest_deg.min(altitude - margin_deg);
            }
        }
        extent
    }

    /// The ground in light `index`; drawn once where it stands still.
    pub(crate) fn ground_view(&self, index: usize) -> Option<Cow<'_, GroundView>> {
        if let Some(still) = self.still_ground()
            && self.scene().knock_arcsec(index) == 0.0
        {
            return Some(Cow::Borrowed(still));
        }
        let turns = self.ground_turns(index);
        self.view_of_ground(&self.projection_of(index), &turns)
            .map(Cow::Owned)
    }

    /// The ground in all lights of a mount that stands still.
    pub(crate) fn draw_still_ground(&self) -> Option<GroundView> {
        if !self.scene().mount.is_still() || self.scene().frames == 0 {
            return None;
        }
        self.view_of_ground(self.projection(), &[self.turn(0, 0.0)])
    }

    fn view_of_ground(&self, projection: &Projection, turns: &[Turn]) -> Option<GroundView> {
        let (width, height) = (self.scene().width, self.scene().height);
        let panorama = self.panorama()?;
        Some(GroundView::new(panorama, projection, turns, width, height))
    }

    /// Electrons in R, G and B of ground of mean brightness in light `index`.
    pub(crate) fn ground_electrons(&self, index: usize) -> [f32; 3] {
        let scene = self.scene();
        let Some(ground) = scene.ground else {
            return [0.0; 3];
        };
        let per_s = surface_electrons_per_s(ground.mag_arcsec2, &scene.lens, &scene.sensor);
        [0, 1, 2].map(|channel| {
            let tint = ground.tint[channel] * scene.sensor.efficiency[channel];
            (per_s * tint * scene.exposure_of(index)) as f32
        })
    }

    /// Whether the ground is elsewhere in some light than in the first.
    pub(crate) fn ground_moves(&self) -> bool {
        let scene = self.scene();
        let shaken = (0..scene.frames).any(|index| scene.knock_arcsec(index) > 0.0);
        scene.ground.is_some() && (shaken || !scene.mount.is_still())
    }

    /// Share of every pixel of light `index` that is ground, over the exposure; `None`
    /// for a scene without ground.
    pub fn ground_cover(&self, index: usize) -> Option<Array2<f32>> {
        let view = self.ground_view(index)?;
        let mut cover = Array2::zeros((self.scene().height, self.scene().width));
        for (row, mut values) in cover.rows_mut().into_iter().enumerate() {
            for (value, cell) in values.iter_mut().zip(view.row(row).unwrap_or_default()) {
                *value = cell[0];
            }
        }
        Some(cover)
    }
}
