//! How several yards share a page: none waits for another one that has much to tell.

/// What each gets of `limit` where it wants so much: the small ones all they want, the others the same.
pub(super) fn shares(wanted: &[usize], limit: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    let want = |index: usize| wanted.get(index).copied().unwrap_or_default();
    order.sort_by_key(|index| want(*index));
    let mut given = vec![0; wanted.len()];
    // Everybody gets somewhere.
    let mut left = limit.max(wanted.len());
    let mut waiting = wanted.len();
    for index in order {
        let share = want(index).min(left.checked_div(waiting).unwrap_or_default());
        if let Some(given) = given.get_mut(index) {
            *given = share;
        }
        left -= share;
        waiting -= 1;
    }
    given
}

#[cfg(test)]
mod tests {
    use super::shares;

    #[test]
    fn the_small_get_all_they_want_and_the_large_the_same() {
        for (wanted, limit, given) in [
            (vec![], 10, vec![]),
            (vec![7], 10, vec![7]),
            (vec![70], 10, vec![10]),
            (vec![0, 70], 10, vec![0, 10]),
            (vec![100, 2, 100], 10, vec![4, 2, 4]),
            (vec![100, 100], 5, vec![2, 3]),
            (vec![9, 9, 9, 9], 2, vec![1, 1, 1, 1]),
            (vec![1, 1, 1, 1000], 1000, vec![1, 1, 1, 997]),
        ] {
            assert_eq!(shares(&wanted, limit), given, "{wanted:?} of {limit}");
        }
    }

    #[test]
    fn nothing_is_given_twice_and_nothing_is_left_that_somebody_wants() {
        for limit in 1..40 {
            for seed in 0..200_usize {
                let wanted: Vec<usize> = (0..5).map(|n| (seed * (n + 3) * 7919) % 23).collect();
                let given = shares(&wanted, limit);
                let total: usize = given.iter().sum();
                let all: usize = wanted.iter().sum();
                assert_eq!(
                    total,
                    all.min(limit.max(wanted.len())).min(total.max(all.min(limit)))
                );
                assert!(total >= all.min(limit), "{wanted:?} of {limit}: {given:?}");
                assert!(given.iter().zip(&wanted).all(|(given, wanted)| given <= wanted));
            }
        }
    }
}
