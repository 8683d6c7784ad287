//! How often one person or service account may ask, and the header fields that say so.
//!
//! The fields are those of the IETF draft "RateLimit header fields for HTTP" (draft-ietf-httpapi-ratelimit-headers,
//! structured fields); their names may change until it is an RFC and stand here only. Counted in memory, per process,
//! for callers whose token was verified: so there are never more counters than accounts. Nobody without a token is
//! counted: behind a proxy all of them have one address, sign-in has its own brake, and load is shed by class.

use crate::config::Limits;
use crate::reply::Failure;
use actix_web::http::header::{HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use clampward_wire::problem;
use governor::middleware::StateInformationMiddleware;
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use std::num::NonZeroU32;
use std::time::Duration;
use uuid::Uuid;

/// What the policy is called.
const POLICY: &str = "caller";
const RATE_LIMIT: HeaderName = HeaderName::from_static("ratelimit");
const RATE_LIMIT_POLICY: HeaderName = HeaderName::from_static("ratelimit-policy");

/// What is left of a caller's quota.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    /// Requests that may follow at once.
    pub remaining: u32,
    /// Seconds until the whole quota is there again.
    pub whole_in: u64,
    /// Whether this request is one too many.
    pub exceeded: bool,
}

/// The counters of all callers.
pub struct Quotas {
    counters: DefaultKeyedRateLimiter<Uuid, StateInformationMiddleware>,
    most: NonZeroU32,
    window: Duration,
    policy: HeaderValue,
}

impl Quotas {
    /// With the quota that an installation chose.
    pub fn new(limits: &Limits) -> Self {
        let most = NonZeroU32::new(limits.quota).unwrap_or(NonZeroU32::MIN);
        let window = limits.quota_window.max(Duration::from_secs(1));
        let each = (window / most.get()).max(Duration::from_nanos(1));
        let quota = Quota::with_period(each)
            .unwrap_or(Quota::per_second(most))
            .allow_burst(most);
        let policy = format!("\"{POLICY}\";q={most};w={}", window.as_secs());
        Self {
            counters: RateLimiter::keyed(quota).with_middleware::<StateInformationMiddleware>(),
            most,
            window,
            policy: HeaderValue::from_str(&policy).unwrap_or(HeaderValue::from_static("")),
        }
    }
    /// Counts a request of a caller.
    pub fn count(&self, caller: Uuid) -> Standing {
        match self.counters.check_key(&caller) {
            Ok(left) => {
                let remaining = left.remaining_burst_capacity();
                let used = self.most.get().saturating_sub(remaining);
                Standing {
                    remaining,
                    whole_in: seconds_up(self.window.mul_f64(f64::from(used) / f64::from(self.most.get()))),
                    exceeded: false,
                }
            }
            Err(_) => Standing {
                remaining: 0,
                whole_in: seconds_up(self.window),
                exceeded: true,
            },
        }
    }
    /// Says what is left. Whoever asked too often comes back up to a quarter later than they might, by `spread`, so that
    /// not all of them come at once.
    pub fn say(&self, standing: Standing, spread: u8, headers: &mut HeaderMap) {
        let left = format!("\"{POLICY}\";r={};t={}", standing.remaining, standing.whole_in);
        if let Ok(left) = HeaderValue::from_str(&left) {
            headers.insert(RATE_LIMIT, left);
        }
        headers.insert(RATE_LIMIT_POLICY, self.policy.clone());
        if standing.exceeded {
            let later = u64::from(spread) % (standing.whole_in / 4 + 1);
            headers.insert(
                RETRY_AFTER,
                HeaderValue::from(standing.whole_in.saturating_add(later)),
            );
        }
    }
    /// Forgets callers whose quota is whole again. To be called now and then.
    pub fn forget_idle(&self) {
        self.counters.retain_recent();
        self.counters.shrink_to_fit();
    }
    /// How many callers are counted.
    pub fn callers(&self) -> usize {
        self.counters.len()
    }
}

/// The refusal of a request too many.
pub(crate) fn exceeded(standing: Standing) -> Failure {
    let detail = format!(
        "You ask more often than agreed; the header RateLimit-Policy says how often. Come back in {} s.",
        standing.whole_in
    );
    let problem = problem::Problem::new(problem::TOO_MANY_REQUESTS, detail);
    problem.with("violated_policies", vec![POLICY]).into()
}

fn seconds_up(time: Duration) -> u64 {
    time.as_secs() + u64::from(time.subsec_nanos() > 0)
}

#[cfg(test)]
mod tests {
    //! A caller's quota is theirs alone, and what is said about it is true.

    use super::*;

    fn quotas(quota: u32, seconds: u64) -> Quotas {
        Quotas::new(&Limits {
            quota,
            quota_window: Duration::from_secs(seconds),
            ..Limits::default()
        })
    }

    #[test]
    fn a_caller_who_asks_too_often_is_refused_and_others_are_not() {
        let quotas = quotas(3, 3600);
        let [one, other] = [Uuid::from_u128(1), Uuid::from_u128(2)];
        let left: Vec<_> = (0..4).map(|_| quotas.count(one)).collect();
        assert_eq!(
            left.iter().map(|standing| standing.remaining).collect::<Vec<_>>(),
            [2, 1, 0, 0]
        );
        assert_eq!(
            left.iter().map(|standing| standing.exceeded).collect::<Vec<_>>(),
            [false, false, false, true]
        );
        assert_eq!(left[0].whole_in, 1200);
        assert!(!quotas.count(other).exceeded);
        assert_eq!(quotas.callers(), 2);
    }

    #[test]
    fn the_fields_are_structured_and_nobody_is_told_to_come_back_too_early() {
        let quotas = quotas(1, 3600);
        let one = Uuid::from_u128(1);
        quotas.count(one);
        let standing = quotas.count(one);
        let mut headers = HeaderMap::new();
        quotas.say(standing, 0, &mut headers);
        assert_eq!(headers.get("ratelimit-policy").unwrap(), "\"caller\";q=1;w=3600");
        assert_eq!(headers.get("ratelimit").unwrap(), "\"caller\";r=0;t=3600");
        assert_eq!(headers.get("retry-after").unwrap(), "3600");
        for spread in [1, 77, 255] {
            quotas.say(standing, spread, &mut headers);
            let later: u64 = headers
                .get("retry-after")
                .unwrap()
                .to_str()
                .unwrap()
                .parse()
                .unwrap();
            assert!((3601..=4500).contains(&later), "{later}");
        }
    }

    #[test]
    fn callers_who_are_gone_are_forgotten() {
        // So fast that the quota is whole again before one can look.
        let quotas = quotas(u32::MAX, 1);
        for number in 0..1000 {
            quotas.count(Uuid::from_u128(number));
        }
        quotas.forget_idle();
        assert!(quotas.callers() < 1000);
    }
}
