//! A standing in few words, for answers that are about something else than all its reasons. Fitness is what it was.

use super::{Reason, Standing};

/// Most reasons that are named where the question is not what all of them are. Lock-outs on a clamp have no bound: nobody
/// may be kept from tagging it out once more.
pub const MAX_REASONS: usize = 20;

impl Standing {
    /// The same with no more than [`MAX_REASONS`] of its reasons.
    #[must_use]
    pub fn in_short(mut self) -> Self {
        let in_all = shorten_reasons(&mut self.reasons);
        self.reasons_in_all = self.reasons_in_all.or(in_all);
        self
    }
}

/// Leaves no more than [`MAX_REASONS`], of every code one at least, in their order; answers how many there were if it took
/// any away.
pub fn shorten_reasons(reasons: &mut Vec<Reason>) -> Option<u64> {
    let in_all = reasons.len();
    if in_all <= MAX_REASONS {
        return None;
    }
    let mut seen = Vec::new();
    let mut first_of_its_code = |reason: &Reason| {
        let is_first = !seen.contains(&reason.code);
        if is_first {
            seen.push(reason.code);
        }
        is_first
    };
    let firsts: Vec<bool> = reasons.iter().map(&mut first_of_its_code).collect();
    let mut room = MAX_REASONS.saturating_sub(firsts.iter().filter(|first| **first).count());
    let mut firsts = firsts.into_iter();
    reasons.retain(|_| {
        let is_first = firsts.next().unwrap_or(false);
        let stays = is_first || room > 0;
        if !is_first {
            room = room.saturating_sub(1);
        }
        stays
    });
    u64::try_from(in_all).ok()
}

#[cfg(test)]
mod tests {
    //! Short, of every kind something, and never fitter.

    use super::*;
    use crate::words::FitnessReason;

    fn reasons(codes: &[(FitnessReason, usize)]) -> Vec<Reason> {
        let each = codes.iter().flat_map(|(code, count)| vec![*code; *count]);
        each.enumerate()
            .map(|(number, code)| Reason {
                code,
                detail: number.to_string(),
                since: None,
                lockout_id: None,
                due: None,
                source: None,
            })
            .collect()
    }

    #[test]
    fn no_more_than_twenty_reasons_stay_of_every_code_one_and_in_their_order() {
        let many = [
            (FitnessReason::Retired, 1),
            (FitnessReason::TaggedOut, 500),
            (FitnessReason::AwaitingInitialInspection, 1),
        ];
        let mut short = reasons(&many);
        assert_eq!(shorten_reasons(&mut short), Some(502));
        let places: Vec<&str> = short.iter().map(|reason| reason.detail.as_str()).collect();
        let wanted: Vec<String> = (0..19)
            .chain([501])
            .map(|place: usize| place.to_string())
            .collect();
        assert_eq!(places, wanted);
        let mut few = reasons(&[(FitnessReason::TaggedOut, MAX_REASONS)]);
        assert_eq!((shorten_reasons(&mut few), few.len()), (None, MAX_REASONS));
    }
}
