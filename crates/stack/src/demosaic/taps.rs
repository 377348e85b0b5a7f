//! The kernels: which sites make a channel at a site, by its phase in the array.

use raw::{Cfa, Channel};

/// One site of a kernel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tap {
    pub dy: isize,
    pub dx: isize,
    pub weight: f32,
}

/// The taps that make `channel` at a site of the given phase; weights sum to 1.
pub(super) fn bilinear(
    cfa: &Cfa,
    channel: Channel,
    phase_row: usize,
    phase_col: usize,
) -> Vec<Tap> {
    if cfa.at(phase_row, phase_col) == channel {
        return vec![Tap {
            dy: 0,
            dx: 0,
            weight: 1.0,
        }];
    }
    for reach in 1..=2_isize {
        let steps = || (-reach..=reach).flat_map(|dy| (-reach..=reach).map(move |dx| (dy, dx)));
        let site = |dy: isize, dx: isize| {
            // Whole periods are added so that the phase stays positive.
            let row = (phase_row + 4 * cfa.height()).wrapping_add_signed(dy);
            let col = (phase_col + 4 * cfa.width()).wrapping_add_signed(dx);
            cfa.at(row, col)
        };
        let tent = |step: isize| (reach + 1 - step.abs()) as f32;
        let mut taps: Vec<Tap> = steps()
            .filter(|&(dy, dx)| site(dy, dx) == channel)
            .map(|(dy, dx)| Tap {
                dy,
                dx,
                weight: tent(dy) * tent(dx),
            })
            .collect();
        let total: f32 = taps.iter().map(|tap| tap.weight).sum();
        if total > 0.0 {
            taps.iter_mut().for_each(|tap| tap.weight /= total);
            return taps;
        }
    }
    Vec::new()
}

/// The 5 x 5 kernels of Malvar, He & Cutler 2004, figure 2, in eighths: what the site
/// recorded adds its Laplacian, by the gain that is best over natural pictures.
const GREEN_AT_OTHER: [[f32; 5]; 5] = [
    [0.0, 0.0, -1.0, 0.0, 0.0],
    [0.0, 0.0, 2.0, 0.0, 0.0],
    [-1.0, 2.0, 4.0, 2.0, -1.0],
    [0.0, 0.0, 2.0, 0.0, 0.0],
    [0.0, 0.0, -1.0, 0.0, 0.0],
];
/// Red or blue at a green site that has its neighbors of that color left and right.
const BESIDE_GREEN: [[f32; 5]; 5] = [
    [0.0, 0.0, 0.5, 0.0, 0.0],
    [0.0, -1.0, 0.0, -1.0, 0.0],
    [-1.0, 4.0, 5.0, 4.0, -1.0],
    [0.0, -1.0, 0.0, -1.0, 0.0],
    [0.0, 0.0, 0.5, 0.0, 0.0],
];
/// Red at blue, or blue at red.
const ACROSS: [[f32; 5]; 5] = [
    [0.0, 0.0, -1.5, 0.0, 0.0],
    [0.0, 2.0, 0.0, 2.0, 0.0],
    [-1.5, 0.0, 6.0, 0.0, -1.5],
    [0.0, 2.0, 0.0, 2.0, 0.0],
    [0.0, 0.0, -1.5, 0.0, 0.0],
];

/// The gradient-corrected taps that make `channel` at a site of a Bayer array.
pub(super) fn gradient_corrected(
    cfa: &Cfa,
    channel: Channel,
    phase_row: usize,
    phase_col: usize,
) -> Vec<Tap> {
    let own = cfa.at(phase_row, phase_col);
    if own == channel {
        return bilinear(cfa, channel, phase_row, phase_col);
    }
    let beside = cfa.at(phase_row, phase_col + 1) == channel;
    let weight = |row: usize, col: usize| match (channel, own) {
        (Channel::G, _) => GREEN_AT_OTHER[row][col],
        (_, Channel::G) if beside => BESIDE_GREEN[row][col],
        (_, Channel::G) => BESIDE_GREEN[col][row],
        _ => ACROSS[row][col],
    };
    (0..25)
        .map(|i| (i / 5, i % 5))
        .map(|(row, col)| Tap {
            dy: row as isize - 2,
            dx: col as isize - 2,
            weight: weight(row, col) / 8.0,
        })
        .filter(|tap| tap.weight != 0.0)
        .collect()
}
