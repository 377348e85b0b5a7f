//! The patterns of one channel over the whole picture, fitted to what its tiles share.

use crate::layer_fit::{Fitted, Term, fit};
use crate::layers::TileLayers;
use crate::pattern::PatternModel;
use crate::spectra::{GRID, NoiseSpectrum, TrackSpectra, line_factor, on_axis, window};

/// Rounds of the fixed point for `a` in the template.
const ROUNDS: usize = 4;
/// Standard errors from which a column or row pattern counts as there.
const SIGNIFICANT_LINES: f64 = 5.0;

/// The pattern of one channel over the whole picture, and what regions need to find theirs.
pub(crate) struct ChannelLayers {
    templates: Vec<[Vec<f64>; 3]>,
    /// The white part, and those of the lines that show beyond chance.
    pub parts: Vec<Part>,
    /// See [`crate::layer_fit::LayerFit::misfit`].
    pub misfit: f64,
}

/// One kind of pattern, at the scale of blocks.
#[derive(Clone, Copy)]
pub(crate) struct Part {
    pub term: Term,
    /// Variance over that of a single light's noise.
    pub strength: Fitted,
    /// How it shows in halves, singles and stack.
    pub model: PatternModel,
}

impl ChannelLayers {
    pub(crate) fn of(tiles: &[&TileLayers], spectra: &TrackSpectra, block: usize) -> Option<Self> {
        let noise = NoiseSpectrum::of(tiles)?;
        let mut templates = spectra.templates(&noise, 0.0);
        let mut white = fit(tiles, &templates, &[Term::White])?.get(Term::White)?;
        for _ in 0..ROUNDS {
            templates = spectra.templates(&noise, white.ratio.max(0.0));
            white = fit(tiles, &templates, &[Term::White])?.get(Term::White)?;
        }
        let mut terms = vec![Term::White];
        for term in [Term::Columns, Term::Rows] {
            // A track along the lines shows nothing of them.
            let found = fit(tiles, &templates, &[Term::White, term]);
            let found = found.and_then(|fit| fit.get(term));
            if found.is_some_and(|found| found.ratio > SIGNIFICANT_LINES * found.error) {
                terms.push(term);
            }
        }
        let fit = fit(tiles, &templates, &terms)?;
        let ratio = fit.get(Term::White)?.ratio.max(0.0);
        let window = window(block);
        let parts = fit.terms.iter().map(|&(term, fitted)| {
            let (model, factor) = match term {
                Term::White => {
                    let plane = |p: usize| window[p % GRID] * window[p / GRID];
                    let plane: Vec<f64> = (0..GRID * GRID).map(plane).collect();
                    (spectra.model(&spectra.source(&noise, ratio), &plane), 1.0)
                }
                Term::Columns => {
                    let source = on_axis(&spectra.axis(&noise.along_x, 1), 1);
                    let model = spectra.model(&source, &on_axis(&window, 1));
                    (model, line_factor(&noise.along_y, &window))
                }
                Term::Rows => {
                    let source = on_axis(&spectra.axis(&noise.along_y, GRID), GRID);
                    let model = spectra.model(&source, &on_axis(&window, GRID));
                    (model, line_factor(&noise.along_x, &window))
                }
            };
            let strength = Fitted {
                ratio: factor * fitted.ratio,
                error: factor * fitted.error,
            };
            Part {
                term,
                strength,
                model,
            }
        });
        Some(Self {
            parts: parts.collect(),
            misfit: fit.misfit,
            templates,
        })
    }

    /// The white part in a region.
    pub(crate) fn region(&self, tiles: &[&TileLayers]) -> Option<Fitted> {
        let terms: Vec<Term> = self.parts.iter().map(|part| part.term).collect();
        fit(tiles, &self.templates, &terms)?.get(Term::White)
    }
}
