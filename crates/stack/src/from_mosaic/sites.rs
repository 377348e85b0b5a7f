//! The photosites of a light around a tile: calibrated, placed, and held against the first
//! pass.

use super::FirstPass;
use crate::reject::{GROW_REACH_PX, box_sums};
use crate::{Calibrator, Light, LightMask, StackError};
use align::PixelMap;
use raw::{Cfa, Channel, Rect};

/// A photosite that has something to give.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Site {
    /// Its place on the reference, px.
    pub at: (f64, f64),
    /// Its channel.
    pub channel: usize,
    /// Its value on the stack's scale, DN.
    pub value: f32,
    /// Whether it goes into the stack.
    pub kept: bool,
}

/// A light, and what it takes to place its photosites.
pub(super) struct PlacedLight<'a> {
    pub light: &'a Light,
    /// Pixel of the light to pixel of the reference; `None` where that cannot be told, so
    /// that the light has nothing to give.
    pub back: Option<PixelMap>,
    /// Its pixels that are not to be used, `[row, column]`.
    pub mask: Option<&'a LightMask>,
}

/// Channel of each phase of a color filter array.
pub(super) struct ChannelOf {
    cfa: Cfa,
    channels: &'static [Channel],
}

impl ChannelOf {
    pub fn new(cfa: &Cfa) -> Self {
        Self {
            cfa: cfa.clone(),
            channels: cfa.channels(),
        }
    }

    pub fn site(&self, row: usize, col: usize) -> usize {
        let own = self.cfa.at(row, col);
        let found = self.channels.iter().position(|&channel| channel == own);
        found.expect("every filter has its channel")
    }
}

impl PlacedLight<'_> {
    /// The photosites that may reach a rectangle of the reference, in reading order of the
    /// light. Defective and masked ones are not among them: nothing is interpolated.
    ///
    /// - `reach_px`: how far around their places on the reference they reach, px.
    pub fn sites(
        &self,
        area: &Rect,
        reach_px: f64,
        calibrator: &Calibrator,
        channel_of: &ChannelOf,
        first: &FirstPass,
    ) -> Result<Vec<Site>, StackError> {
        let bounds = calibrator.layout().bounds();
        // The map's own scale hardly differs from one; a pixel more, and those that tell
        // whether a neighbor goes.
        let margin = reach_px.ceil() as usize + 2 + GROW_REACH_PX;
        let window = self.light.map.source_window(*area, margin, bounds);
        let (Some(back), Some(window)) = (&self.back, window) else {
            return Ok(Vec::new());
        };
        let calibrated = calibrator.window(&self.light.mosaic, &window)?;
        let width = window.width();
        let mut places = vec![(0.0, 0.0); width];
        let mut sites: Vec<Option<Site>> = Vec::with_capacity(window.area());
        let mut rejected = Vec::with_capacity(window.area());
        for (row, values) in (window.y0..window.y1).zip(calibrated.values.chunks_exact(width)) {
            back.map_row(window.x0, row, &mut places);
            for ((col, &value), &at) in (window.x0..).zip(values).zip(&places) {
                let masked = self.mask.is_some_and(|mask| mask.hides(row, col));
                let there = at.0.is_finite() && at.1.is_finite() && !masked;
                let site = (there && !calibrator.defects().contains(row, col)).then(|| {
                    let channel = channel_of.site(row, col);
                    let level = self.light.sky_offset.at(channel, at.0, at.1);
                    let value = self.light.scale * value + level;
                    Site {
                        at,
                        channel,
                        value,
                        kept: !first.rejects(channel, at, value, self.light.weight),
                    }
                });
                rejected.push(u16::from(site.is_some_and(|site| !site.kept)));
                sites.push(site);
            }
        }
        reject_beside(&mut sites, &rejected, width, first.growth_limit());
        Ok(sites.into_iter().flatten().collect())
    }
}

/// Rejects what lies among rejected photosites, of whatever color: the flanks of a trail are
/// too faint to go one by one.
fn reject_beside(sites: &mut [Option<Site>], rejected: &[u16], width: usize, enough: u16) {
    if rejected.iter().map(|&n| u32::from(n)).sum::<u32>() < u32::from(enough) {
        return;
    }
    let around = box_sums(rejected, width);
    for (site, around) in sites.iter_mut().zip(around) {
        if let Some(site) = site {
            site.kept &= around < enough;
        }
    }
}
