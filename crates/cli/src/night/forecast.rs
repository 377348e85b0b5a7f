//! How long what is left will take, learning from what was done.

use super::estimate::Speed;
use super::kept::{Look, is_finished};
use super::place::Place;
use super::session_plan::SessionPlan;

/// Times of sessions, s, put right by those that were done.
pub(crate) struct Forecast {
    /// Of each session, done or not, by the speed that was known before.
    foreseen_s: Vec<f64>,
    is_to_be_done: Vec<bool>,
    learned_s: f64,
    spent_s: f64,
}

impl Forecast {
    pub fn of(plans: &[SessionPlan], place: &Place) -> Self {
        let speed = Speed::of(plans, place);
        let is_to_be_done = |plan: &SessionPlan| !is_finished(plan, place, Look::Lengths);
        Self {
            foreseen_s: plans.iter().map(|plan| speed.seconds(plan)).collect(),
            is_to_be_done: plans.iter().map(is_to_be_done).collect(),
            learned_s: 0.0,
            spent_s: 0.0,
        }
    }

    /// Time for session `i` and all that follow, s; `None` when nothing is left to be done.
    pub fn left_s(&self, i: usize) -> Option<f64> {
        let sessions = self.foreseen_s.iter().zip(&self.is_to_be_done).skip(i);
        let left = sessions.filter(|(_, is_to_be_done)| **is_to_be_done);
        let left_s: f64 = left.map(|(seconds, _)| seconds).sum();
        (left_s > 0.0).then_some(self.pace() * left_s)
    }

    /// Session `i` took `seconds`.
    pub fn learn(&mut self, i: usize, seconds: f64) {
        self.learned_s += self.foreseen_s[i];
        self.spent_s += seconds;
    }

    /// Time spent over that foreseen.
    fn pace(&self) -> f64 {
        match self.learned_s > 0.0 {
            true => self.spent_s / self.learned_s,
            false => 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_done_puts_right_what_is_left() {
        let mut forecast = Forecast {
            foreseen_s: vec![10.0, 20.0, 30.0],
            is_to_be_done: vec![true, false, true],
            learned_s: 0.0,
            spent_s: 0.0,
        };
        assert_eq!(forecast.left_s(0), Some(40.0));
        forecast.learn(0, 20.0);
        assert_eq!(forecast.left_s(1), Some(60.0));
        assert_eq!(forecast.left_s(3), None);
    }
}
