//! Where among the lights of a set the camera was turned, by their stars.
//!
//! The first and the last light are compared; where they show the same stars nothing more is
//! looked at. Where they do not, those halfway decide in which half to look on, down to two
//! neighbors: a sky that drifts through the picture is in common to neighbors, and divides
//! nothing. One light that fits neither side is poor and no turn.

/// What is known of the lights of a set, by their place in it.
pub(super) trait Lights {
    /// How many there are.
    fn count(&self) -> usize;

    /// Whether a light has stars enough to tell where it looks.
    fn tells(&mut self, light: usize) -> bool;

    /// Whether two lights that tell show the same stars.
    fn fit(&mut self, a: usize, b: usize) -> bool;
}

/// The last light before a turn and the first one after it, of those that tell; in order.
pub(super) fn turns(lights: &mut dyn Lights) -> Vec<(usize, usize)> {
    let count = lights.count();
    let mut turns = Vec::new();
    let first = (0..count).find(|&light| lights.tells(light));
    let last = (0..count).rev().find(|&light| lights.tells(light));
    if let (Some(first), Some(last)) = (first, last) {
        search(lights, first, last, &mut turns);
    }
    turns.sort_unstable();
    turns.dedup_by_key(|&mut (_, after)| after);
    turns
}

fn search(lights: &mut dyn Lights, a: usize, b: usize, turns: &mut Vec<(usize, usize)>) {
    if a == b || lights.fit(a, b) {
        return;
    }
    match between(lights, a, b) {
        Some(middle) => {
            search(lights, a, middle, turns);
            search(lights, middle, b, turns);
        }
        None => turns.extend(confirmed(lights, a, b)),
    }
}

/// The light nearest to the middle of two others that tells.
fn between(lights: &mut dyn Lights, a: usize, b: usize) -> Option<usize> {
    let middle = a.midpoint(b);
    let mut inner: Vec<usize> = (a + 1..b).collect();
    inner.sort_by_key(|light| light.abs_diff(middle));
    inner.into_iter().find(|&light| lights.tells(light))
}

/// The turn between two neighbors, if there is one: two lights that fit each other before it,
/// two after it, and none of the former fits one of the latter.
fn confirmed(lights: &mut dyn Lights, a: usize, b: usize) -> Option<(usize, usize)> {
    let before = |light: usize| (0..light).rev();
    let after = |light: usize| light + 1..usize::MAX;
    let (other_a, a) = pair(lights, a, before)?;
    let (other_b, b) = pair(lights, b, after)?;
    let pairs = [(a, b), (other_a, b), (a, other_b), (other_a, other_b)];
    let apart = pairs.iter().all(|&(one, two)| !lights.fit(one, two));
    apart.then_some((a, b))
}

/// The nearest two that fit each other, from a light on in a direction, the nearer one second;
/// the light itself may fit none.
fn pair<I: Iterator<Item = usize>>(
    lights: &mut dyn Lights,
    light: usize,
    beyond: impl Fn(usize) -> I,
) -> Option<(usize, usize)> {
    let count = lights.count();
    let next = |lights: &mut dyn Lights, from: usize| {
        let mut inside = beyond(from).take_while(|&light| light < count);
        inside.find(|&light| lights.tells(light))
    };
    let second = next(lights, light)?;
    if lights.fit(light, second) {
        return Some((second, light));
    }
    let third = next(lights, second)?;
    lights.fit(second, third).then_some((third, second))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lights by where they look; `None` without stars. They fit up to a step of 3.
    struct Fields {
        fields: Vec<Option<i32>>,
        looked_at: std::collections::BTreeSet<usize>,
    }

    impl Lights for Fields {
        fn count(&self) -> usize {
            self.fields.len()
        }

        fn tells(&mut self, light: usize) -> bool {
            self.looked_at.insert(light);
            self.fields[light].is_some()
        }

        fn fit(&mut self, a: usize, b: usize) -> bool {
            let field = |light: usize| self.fields[light].expect("it tells");
            field(a).abs_diff(field(b)) <= 3
        }
    }

    /// The turns of lights, and how many lights were looked at for them.
    fn of(fields: &[Option<i32>]) -> (Vec<(usize, usize)>, usize) {
        let mut lights = Fields {
            fields: fields.to_vec(),
            looked_at: std::collections::BTreeSet::new(),
        };
        let found = turns(&mut lights);
        (found, lights.looked_at.len())
    }

    fn fields(fields: impl IntoIterator<Item = i32>) -> Vec<Option<i32>> {
        fields.into_iter().map(Some).collect()
    }

    #[test]
    fn one_field_takes_two_looks() {
        assert_eq!(of(&fields([5; 1000])), (vec![], 2));
        assert_eq!(of(&[]), (vec![], 0));
        assert_eq!(of(&[Some(1)]).0, []);
    }

    #[test]
    fn drift_is_no_turn() {
        assert_eq!(of(&fields(0..200)).0, []);
        // It does not hide one either.
        assert_eq!(of(&fields((0..50).chain(90..120))).0, [(49, 50)]);
    }

    #[test]
    fn turns_are_found_wherever_they_are() {
        for turn in 2..=18 {
            let both = (0..20).map(|light| if light < turn { 0 } else { 50 });
            let (found, looked_at) = of(&fields(both));
            assert_eq!(found, [(turn - 1, turn)]);
            assert!(looked_at <= 10, "{looked_at}");
        }
        let three = fields([0, 0, 0, 50, 50, 99, 99, 99, 99]);
        assert_eq!(of(&three).0, [(2, 3), (4, 5)]);
    }

    #[test]
    fn clouds_and_poor_lights_are_no_turn_and_hide_none() {
        let mut cloudy = fields([0, 0, 0, 0, 50, 50, 50, 50]);
        (cloudy[0], cloudy[4], cloudy[7]) = (None, None, None);
        assert_eq!(of(&cloudy).0, [(3, 5)]);
        assert_eq!(of(&[None; 9]).0, []);
        for poor in 0..9 {
            let mut fields = fields([0; 9]);
            fields[poor] = Some(77);
            assert_eq!(of(&fields).0, [], "{poor}");
        }
        // Between two fields, and fitting neither.
        assert_eq!(of(&fields([0, 0, 0, 77, 50, 50, 50])).0, [(2, 4)]);
        // One light alone is no session.
        assert_eq!(of(&fields([0, 0, 0, 0, 50])).0, []);
    }
}
