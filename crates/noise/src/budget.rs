//! Where the frames went: factors that lead from the square root of N to the gain found.

/// Factors of the area gain: `sqrt(N)` times all but `borrowed` is the measured gain.
/// 1 costs nothing. No units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Budget {
    /// Lights that do not reach all of the region: `sqrt(local N / N)`.
    pub coverage: f64,
    /// Unequal weights: `sqrt(Kish N / local N)`, of the weights that the lights would have
    /// had at equal transparency.
    pub unequal_weights: f64,
    /// Lights that are better or worse than the typical one for other reasons than
    /// `transparency`: the gain that their measured noise and their weights allow over the
    /// one of `unequal_weights`. Above 1 where most of the stack's weight lies with lights
    /// better than the typical.
    pub unequal_lights: f64,
    /// Cloud: lights dimmer than the typical one, whose noise grew as they were brought to
    /// the brightness of the others, and which weigh less. The gain that noise and weights
    /// allow over the one they would allow at equal transparency. 1 where the
    /// transparencies are not known.
    pub transparency: f64,
    /// Samples rejected: `sqrt(1 - rejected share)`.
    pub rejected_samples: f64,
    /// The estimator's own price: the median's, or a clip's beyond the samples lost.
    pub estimator: f64,
    /// The fixed pattern that halves or the lights' track show: the share of the stack's
    /// variance that is random over that of a single light's, which holds the pattern too;
    /// the root of both.
    pub pattern: f64,
    /// What none of the above explains; 1 within the gain's error when all is understood.
    pub unexplained: f64,
    /// The stack's pixel noise over its area noise: below 1 by what looks like gain at
    /// 100 % but was borrowed from neighboring pixels by demosaicing and resampling. No
    /// factor of the area gain.
    pub borrowed: f64,
}

impl Budget {
    /// Product of the factors that are explained, all but `unexplained` and `borrowed`.
    pub fn explained(&self) -> f64 {
        self.coverage
            * self.unequal_weights
            * self.unequal_lights
            * self.transparency
            * self.rejected_samples
            * self.estimator
            * self.pattern
    }
}
