//! The sky model held against a homography for each frame, on the same stars.

use crate::bundle::{Observation, Track, direction};
use crate::fit::{Fit, Pair, TUKEY_SIGMAS, fit_best};
use crate::refraction::AIR_PARAMETERS;
use crate::{Attitude, Lens, Star};

/// Akaike's criterion of a lens with a rotation a frame, and of a plane-to-plane map a frame
/// (the best of homography, affine map and similarity), on the same pairs of stars.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Verdict {
    /// `Σ r²/s² + 2p` of the lens and rotations, robust.
    pub model: f64,
    /// The same of a map a frame.
    pub homography: f64,
}

impl Verdict {
    /// Whether the model is better beyond doubt: by more than 10 (Burnham & Anderson 2002,
    /// section 2.6: "essentially no support" for what is worse by that; from memory).
    pub fn model_holds(&self) -> bool {
        const BEYOND_DOUBT: f64 = 10.0;
        self.model + BEYOND_DOUBT < self.homography
    }
}

/// A ring of the picture, and how far stars lie in it from where each kind of map puts them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// Inner and outer edge: distance from the middle as a share of the corner's.
    pub from: f64,
    /// See `from`.
    pub to: f64,
    /// Pairs of stars in it, over all frames.
    pub pairs: usize,
    /// Root mean square distance under lens and rotations, px; outliers left out.
    pub model_px: f64,
    /// The same under a homography a frame, px.
    pub homography_px: f64,
}

/// A verdict, and the pairs it was made on.
pub(crate) struct Judged {
    pub(crate) verdict: Verdict,
    pub(crate) zones: Vec<Zone>,
    pub(crate) matched: Vec<usize>,
    pub(crate) residual_px: Vec<f64>,
    pub(crate) pairs: Vec<Vec<(usize, usize)>>,
}

const ZONES: usize = 4;

struct Matched {
    stars: (usize, usize),
    pair: Pair,
    model_px: f64,
}

/// Holds the model against maps of each frame.
#[allow(
    clippy::too_many_arguments,
    reason = "what the model is made of, and what it is held against"
)]
pub(crate) fn verdict(
    frames: &[&[Star]],
    all: &[Track],
    lens: &Lens,
    attitudes: &[Option<Attitude>],
    reference: usize,
    size: (usize, usize),
    terms: usize,
    scale: f64,
) -> Judged {
    /// A two-dimensional Gaussian is beyond this once in 3000.
    const OUTLIER_SIGMAS: f64 = 4.0;
    let by_frame = pairs_by_frame(frames.len(), all, lens, attitudes, reference);
    let mut judged = Judged {
        verdict: Verdict {
            model: 0.0,
            homography: 0.0,
        },
        zones: Vec::new(),
        matched: Vec::new(),
        residual_px: Vec::new(),
        pairs: Vec::new(),
    };
    let mut rings = vec![(0usize, 0.0, 0.0); ZONES];
    let mut turned = 0;
    for matched in &by_frame {
        let pairs: Vec<Pair> = matched.iter().map(|m| m.pair).collect();
        let loss = |px: f64, pair: &Pair| {
            (px / (scale * pair.error_px))
                .powi(2)
                .min(TUKEY_SIGMAS * TUKEY_SIGMAS)
        };
        let mut kept: Vec<&Matched> = Vec::new();
        let plane: Option<Fit> = fit_best(&pairs, size, false);
        if let Some(fit) = &plane {
            turned += 1;
            judged.verdict.model += matched
                .iter()
                .map(|m| loss(m.model_px, &m.pair))
                .sum::<f64>();
            judged.verdict.homography += 2.0 * fit.model.parameters() as f64
                + pairs
                    .iter()
                    .map(|pair| loss(pair.residual_px(&fit.map), pair))
                    .sum::<f64>();
        }
        for m in matched {
            if m.model_px > OUTLIER_SIGMAS * scale * m.pair.error_px {
                continue;
            }
            kept.push(m);
            if let Some(fit) = &plane {
                let ring = &mut rings[ring(m.pair.from, size)];
                ring.0 += 1;
                ring.1 += m.model_px * m.model_px;
                ring.2 += m.pair.residual_px(&fit.map).powi(2);
            }
        }
        let squares: f64 = kept.iter().map(|m| m.model_px * m.model_px).sum();
        judged.matched.push(kept.len());
        judged
            .residual_px
            .push((squares / kept.len().max(1) as f64).sqrt());
        judged.pairs.push(kept.iter().map(|m| m.stars).collect());
    }
    let air = lens.air().map_or(0, |_| AIR_PARAMETERS);
    judged.verdict.model += 2.0 * (3 + terms + air + 3 * turned) as f64;
    judged.zones = rings
        .into_iter()
        .enumerate()
        .map(|(i, (n, model, plane))| Zone {
            from: i as f64 / ZONES as f64,
            to: (i + 1) as f64 / ZONES as f64,
            pairs: n,
            model_px: (model / n as f64).sqrt(),
            homography_px: (plane / n as f64).sqrt(),
        })
        .collect();
    judged
}

/// The pairs between the reference and each frame, and where the model puts them.
fn pairs_by_frame(
    frames: usize,
    all: &[Track],
    lens: &Lens,
    attitudes: &[Option<Attitude>],
    reference: usize,
) -> Vec<Vec<Matched>> {
    let mut by_frame: Vec<Vec<Matched>> = (0..frames).map(|_| Vec::new()).collect();
    let own = [Attitude::identity()];
    for track in all {
        let Some(first) = track.iter().find(|seen| seen.frame == reference) else {
            continue;
        };
        let here = Observation { frame: 0, ..*first };
        let star = direction(lens, &own, &vec![here]);
        for seen in track.iter().filter(|seen| seen.frame != reference) {
            let attitude = attitudes[seen.frame];
            let place = attitude.and_then(|attitude| lens.project(attitude.rotate(star)));
            if let Some([x, y]) = place {
                by_frame[seen.frame].push(Matched {
                    stars: (first.star, seen.star),
                    pair: Pair {
                        from: first.at,
                        to: seen.at,
                        error_px: first.error_px.hypot(seen.error_px),
                    },
                    model_px: (x - seen.at[0]).hypot(y - seen.at[1]),
                });
            }
        }
    }
    by_frame
}

fn ring(at: [f64; 2], size: (usize, usize)) -> usize {
    let [cx, cy] = crate::lens_choice::center(size);
    let share = (at[0] - cx).hypot(at[1] - cy) / (0.5 * crate::lens_choice::diagonal_px(size));
    ((share * ZONES as f64) as usize).min(ZONES - 1)
}
