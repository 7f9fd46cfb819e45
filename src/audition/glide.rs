//! Gains that move: each value is computed from its number in the glide, never from the one before, so that
//! any split into blocks gives the same bits. Realtime-safe.

/// A gain that goes from one value to another in a straight line, or rises with the square.
#[derive(Debug, Clone, Copy)]
pub(super) struct Glide {
    from: f64,
    to: f64,
    done: u64,
    length: u64,
    squared: bool,
}

impl Glide {
    /// A gain at rest.
    pub(super) fn at(value: f64) -> Glide {
        Glide { from: value, to: value, done: 0, length: 0, squared: false }
    }

    /// Heads for `to` over `length` samples, from where it is now. With `squared` it leaves slowly.
    pub(super) fn head_for(&mut self, to: f64, length: u64, squared: bool) {
        *self = Glide { from: self.value(), to, done: 0, length, squared };
    }

    /// Where it is after the samples so far.
    pub(super) fn value(&self) -> f64 {
        if self.done >= self.length { self.to } else { self.gain(self.done) }
    }

    /// Where it is heading for.
    pub(super) fn target(&self) -> f64 {
        self.to
    }

    /// Samples until it rests.
    pub(super) fn left(&self) -> u64 {
        self.length - self.done.min(self.length)
    }

    /// The gain of the sample `ahead` samples after those so far.
    pub(super) fn ahead(&self, ahead: u64) -> f64 {
        let number = self.done.saturating_add(ahead).saturating_add(1);
        if number >= self.length { self.to } else { self.gain(number) }
    }

    /// Moves on.
    pub(super) fn advance(&mut self, samples: u64) {
        self.done = self.done.saturating_add(samples).min(self.length);
    }

    fn gain(&self, number: u64) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a glide is far shorter than 2^52 samples")]
        let part = number as f64 / self.length as f64;
        let part = if self.squared { part * part } else { part };
        self.from + (self.to - self.from) * part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_arrives_exactly_and_turns_back_from_where_it_is() {
        let mut glide = Glide::at(0.0);
        glide.head_for(1.0, 4, false);
        let values: Vec<f64> = (0..5).map(|n| glide.ahead(n)).collect();
        assert_eq!(values, [0.25, 0.5, 0.75, 1.0, 1.0]);
        glide.advance(2);
        assert_eq!((glide.value(), glide.left()), (0.5, 2));
        glide.head_for(0.0, 2, false);
        assert_eq!([glide.ahead(0), glide.ahead(1)], [0.25, 0.0]);
        glide.advance(9);
        assert_eq!((glide.value(), glide.left()), (0.0, 0));
    }

    #[test]
    fn without_length_it_is_there_at_once() {
        let mut glide = Glide::at(0.0);
        glide.head_for(1.0, 0, true);
        assert_eq!((glide.value(), glide.ahead(0)), (1.0, 1.0));
    }
}
