//! Triangles of stars that look alike on two frames, and the maps they suggest.
//!
//! A triangle of three stars keeps its shape when the camera shifts, turns or mirrors the
//! field (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119; from memory). Every
//! pair of alike triangles votes for its three pairs of stars; pairs of triangles whose stars
//! got most votes are tried first. Nothing is drawn at random.

use crate::neighbors::Neighbors;
use std::collections::{BTreeSet, HashMap};

/// Three stars; the vertices in the order of the sides opposite to them, longest first.
#[derive(Clone, Copy, Debug)]
struct Triangle {
    vertices: [usize; 3],
    /// Whether the vertices in this order turn from +x towards +y.
    clockwise: bool,
    /// Logarithm of the longest side (scaled), the other two over the longest.
    key: [f64; 3],
}

/// Three pairs of stars `(on the reference, on the frame)` that make alike triangles.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Suggestion {
    pub(crate) pairs: [(usize, usize); 3],
    /// Whether the frame shows the triangle's mirror image.
    pub(crate) mirrored: bool,
    votes: u32,
}

/// Differences of side ratios that still count as alike: a turn of the sky over an hour
/// shears a small triangle by a percent.
const RATIO_TOLERANCE: f64 = 0.015;

/// Sides closer than this cannot be put in order reliably.
const MIN_SIDE_DIFFERENCE: f64 = 0.02;

/// Suggestions for lists of places, most votes first; equal votes in the order of the lists.
///
/// - `neighbors`: each star makes triangles with so many nearest ones.
/// - `max_scale_change`: greatest logarithm of the ratio of two alike triangles' sizes.
/// - `min_side`: shorter sides have too uncertain ratios.
///
/// Places are points of the plane, or directions: triangles of chords then keep their size
/// and shape however the camera turns.
pub(crate) fn suggestions<const K: usize>(
    reference: &[[f64; K]],
    frame: &[[f64; K]],
    neighbors: usize,
    max_scale_change: f64,
    min_side: f64,
) -> Vec<Suggestion> {
    let scale = RATIO_TOLERANCE / max_scale_change.max(1e-6);
    let on_reference = triangles(reference, neighbors, scale, min_side);
    let on_frame = triangles(frame, neighbors, scale, min_side);
    let keys: Vec<[f64; 3]> = on_reference.iter().map(|triangle| triangle.key).collect();
    let index = Neighbors::new(&keys);
    let mut votes: HashMap<(usize, usize), u32> = HashMap::new();
    let mut found = Vec::new();
    for triangle in &on_frame {
        for alike in index.within(&triangle.key, RATIO_TOLERANCE) {
            let other = on_reference[alike];
            let pairs: [(usize, usize); 3] =
                std::array::from_fn(|i| (other.vertices[i], triangle.vertices[i]));
            for pair in pairs {
                *votes.entry(pair).or_default() += 1;
            }
            let mirrored = other.clockwise != triangle.clockwise;
            found.push(Suggestion {
                pairs,
                mirrored,
                votes: 0,
            });
        }
    }
    for suggestion in &mut found {
        suggestion.votes = suggestion.pairs.iter().map(|pair| votes[pair]).sum();
    }
    found.sort_by_key(|suggestion| std::cmp::Reverse(suggestion.votes));
    found
}

fn triangles<const K: usize>(
    places: &[[f64; K]],
    neighbors: usize,
    log_scale: f64,
    min_side: f64,
) -> Vec<Triangle> {
    let index = Neighbors::new(places);
    let mut triples = BTreeSet::new();
    for (i, place) in places.iter().enumerate() {
        let near: Vec<usize> = index
            .nearest_n(place, neighbors + 1)
            .into_iter()
            .filter(|&j| j != i)
            .collect();
        for (n, &j) in near.iter().enumerate() {
            for &k in &near[..n] {
                let mut triple = [i, j, k];
                triple.sort_unstable();
                triples.insert(triple);
            }
        }
    }
    let triangle = |triple| Triangle::new(places, triple, log_scale, min_side);
    triples.into_iter().filter_map(triangle).collect()
}

impl Triangle {
    /// `None` when two sides are too alike, or one too short.
    fn new<const K: usize>(
        places: &[[f64; K]],
        triple: [usize; 3],
        log_scale: f64,
        min_side: f64,
    ) -> Option<Self> {
        let side = |i: usize| {
            let (a, b) = (places[triple[(i + 1) % 3]], places[triple[(i + 2) % 3]]);
            (0..K).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt()
        };
        let mut sides = [0, 1, 2].map(|i| (side(i), triple[i]));
        sides.sort_by(|a, b| b.0.total_cmp(&a.0));
        let [longest, middle, shortest] = sides.map(|(length, _)| length);
        let (second, third) = (middle / longest, shortest / longest);
        let ordered = 1.0 - second > MIN_SIDE_DIFFERENCE && second - third > MIN_SIDE_DIFFERENCE;
        let vertices = sides.map(|(_, vertex)| vertex);
        let [a, b, c] = vertices.map(|vertex| places[vertex]);
        let turn = turn(a, b, c);
        (ordered && shortest > min_side).then(|| Self {
            vertices,
            clockwise: turn > 0.0,
            key: [log_scale * longest.ln(), second, third],
        })
    }
}

/// Positive for three places that turn from +x towards +y, as seen from the origin of
/// directions.
fn turn<const K: usize>(a: [f64; K], b: [f64; K], c: [f64; K]) -> f64 {
    let area = |i: usize, j: usize| (b[i] - a[i]) * (c[j] - a[j]) - (b[j] - a[j]) * (c[i] - a[i]);
    match K {
        2 => area(0, 1),
        _ => a[2] * area(0, 1) + a[0] * area(1, 2) + a[1] * area(2, 0),
    }
}
