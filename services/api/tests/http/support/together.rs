//! Several calls under way at once.

use std::task::Poll;

/// What all of them answer, in their order, when the last one has.
pub async fn together<T>(calls: Vec<impl Future<Output = T>>) -> Vec<T> {
    let mut calls: Vec<_> = calls.into_iter().map(Box::pin).collect();
    let mut answers: Vec<Option<T>> = calls.iter().map(|_| None).collect();
    std::future::poll_fn(|context| {
        for (call, answer) in calls.iter_mut().zip(&mut answers) {
            if answer.is_none()
                && let Poll::Ready(ready) = call.as_mut().poll(context)
            {
                *answer = Some(ready);
            }
        }
        if answers.iter().all(Option::is_some) {
            Poll::Ready(())
        } else {
            Poll::Pending
        }
    })
    .await;
    answers.into_iter().flatten().collect()
}
