//! What is told again, and what is told together.

use super::*;
use crate::config::{Digest, DigestWhen};

fn gathering(after: SignedDuration) -> Picks {
    Picks {
        digest: Some(Digest {
            when: DigestWhen::After(after),
            most: Priority::Low,
        }),
        ..Picks::all()
    }
}

fn low(number: i64) -> AlertRecord {
    alert(number, Transition::Raised, Priority::Low)
}

#[tokio::test(flavor = "multi_thread")]
async fn low_priority_comes_in_one_message_and_danger_comes_before_it() {
    let play = Play::begin(
        &[],
        Body::CloudEvents,
        gathering(SignedDuration::from_millis(1_500)),
    )
    .await;
    let mut danger = alert(3, Transition::Raised, Priority::Critical);
    danger.alert = AlertName::OverLimit;
    // Together, so that no wait between them has an end before the last is stored.
    let all = (0..3).map(low).chain([danger]).collect();
    play.store_all_at(all, Timestamp::now()).await;
    play.all_done().await;
    let taken: Vec<serde_json::Value> = play
        .taken()
        .iter()
        .map(|(_, body)| serde_json::from_str(body).unwrap())
        .collect();
    assert_eq!(taken.len(), 2, "{taken:#?}");
    assert_eq!(taken[0]["type"], "fobwatch.alert.raised");
    assert_eq!(taken[0]["data"]["priority"], "critical");
    assert_eq!(taken[1]["type"], "fobwatch.digest");
    let together = taken[1]["data"]["alerts"].as_array().unwrap();
    assert_eq!(together.len(), 3);
    for (number, alert) in together.iter().enumerate() {
        assert_eq!(alert["message"], format!("Move plum 1 to the fridge, {number}."));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_digest_that_fails_comes_again_whole_and_as_plain_text_a_line_each() {
    let form = Body::Text("{batch}: {message} [{priority}]".to_owned());
    let play = Play::begin(&[500], form, gathering(SignedDuration::from_millis(700))).await;
    play.store_all_at(vec![low(0), low(60)], Timestamp::now()).await;
    play.all_done().await;
    let taken = play.taken();
    assert_eq!(taken.len(), 1);
    assert_eq!(
        taken[0].1,
        "plum 1: Thu 5 Mar 08:40 UTC: Move plum 1 to the fridge, 0. [low]\n\
         plum 1: Thu 5 Mar 08:41 UTC: Move plum 1 to the fridge, 60. [low]"
    );
    assert!(
        taken[0].0["idempotency-key"]
            .to_str()
            .unwrap()
            .starts_with("digest.2.")
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_comes_due_together_is_told_once_in_one_message() {
    let play = Play::begin(
        &[],
        Body::CloudEvents,
        gathering(SignedDuration::from_millis(300)),
    )
    .await;
    play.store_all_at((0..3).map(low).collect(), Timestamp::now())
        .await;
    play.said(1).await;
    play.store(alert(3, Transition::Raised, Priority::High)).await;
    play.all_done().await;
    let taken = play.taken();
    assert_eq!(taken.len(), 2, "{taken:#?}");
    assert!(taken[0].1.contains("fobwatch.digest"), "{taken:#?}");
    assert!(taken[1].1.contains("the fridge, 3"), "{taken:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_digest_that_may_have_come_comes_again_under_its_key_whatever_is_gathered_since() {
    let play = Play::begin(
        &[500],
        Body::CloudEvents,
        gathering(SignedDuration::from_millis(300)),
    )
    .await;
    play.store_all_at((0..2).map(low).collect(), Timestamp::now())
        .await;
    let tried = async {
        while *lock(&play.moods.asked) == 0 {
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, tried).await.unwrap();
    play.store(low(2)).await;
    play.all_done().await;
    let keys: Vec<_> = play
        .taken()
        .iter()
        .map(|(head, _)| head["idempotency-key"].to_str().unwrap().to_owned())
        .collect();
    assert_eq!(keys.len(), 2, "{keys:?}");
    assert!(keys[0].starts_with("digest.2."), "{keys:?}");
    assert!(keys[1].starts_with("plum-1."), "{keys:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn advice_that_was_withdrawn_before_it_could_be_told_is_not_told_late() {
    let play = Play::begin(&[500], Body::Text("{message}".to_owned()), Picks::all()).await;
    let mut advice = alert(0, Transition::Raised, Priority::Medium);
    advice.alert = AlertName::MoveToFridge;
    play.store(advice.clone()).await;
    let mut withdrawn = alert(60, Transition::Suppressed, Priority::Medium);
    withdrawn.alert = AlertName::MoveToFridge;
    "The advice to move plum 1 is withdrawn.".clone_into(&mut withdrawn.message);
    play.store(withdrawn).await;
    play.all_done().await;
    let mut again = alert(120, Transition::Raised, Priority::Medium);
    again.alert = AlertName::MoveToFridge;
    again.message = format!("{} Again.", advice.message);
    play.store(again.clone()).await;
    play.all_done().await;
    let taken: Vec<String> = play.taken().into_iter().map(|(_, body)| body).collect();
    assert_eq!(taken, ["The advice to move plum 1 is withdrawn.", &again.message]);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_nobody_has_seen_to_is_told_again_and_not_for_ever() {
    let picks = Picks {
        remind_after: SignedDuration::from_millis(200),
        remind_at_most: 2,
        ..Picks::all()
    };
    let form = Body::Text("{message}".to_owned());
    let play = Play::begin(&[], form, picks).await;
    play.store(raised(0)).await;
    play.said(3).await;
    let taken = play.taken();
    let said: Vec<&str> = taken.iter().map(|(_, body)| body.as_str()).collect();
    let again = "Still so: Move plum 1 to the fridge, 0.";
    assert_eq!(said, ["Move plum 1 to the fridge, 0.", again, again]);
    let mut keys: Vec<_> = taken
        .iter()
        .map(|(head, _)| head["idempotency-key"].clone())
        .collect();
    keys.dedup();
    assert_eq!(keys.len(), 3, "each may be told once by who looks at keys");
}

#[tokio::test(flavor = "multi_thread")]
async fn who_has_seen_to_it_is_named_and_no_reminder_follows() {
    let picks = Picks {
        remind_after: SignedDuration::from_millis(300),
        remind_at_most: 5,
        ..Picks::all()
    };
    let play = Play::begin(&[], Body::Text("{message} ({who})".to_owned()), picks).await;
    play.store(raised(0)).await;
    let seen = AlertRecord {
        who: Some("Ada".to_owned()),
        message: "Move plum 1 to the fridge, 0.".to_owned(),
        ..alert(1, Transition::Acknowledged, Priority::Medium)
    };
    play.store(seen).await;
    play.all_done().await;
    let said: Vec<String> = play.taken().into_iter().map(|(_, body)| body).collect();
    assert_eq!(
        said,
        [
            "Move plum 1 to the fridge, 0. ()",
            "Ada has seen to it: Move plum 1 to the fridge, 0. (Ada)"
        ]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn danger_does_not_wait_behind_what_is_not_taken() {
    let play = Play::begin(&[], Body::CloudEvents, Picks::all()).await;
    *lock(&play.moods.poison) = Some("the fridge, 0".to_owned());
    play.store(raised(0)).await;
    let mut danger = alert(1, Transition::Raised, Priority::Critical);
    danger.alert = AlertName::OverLimit;
    danger.message = "Danger.".to_owned();
    play.store(danger).await;
    assert!(play.said(1).await[0].contains("Danger."));
    *lock(&play.moods.poison) = None;
    play.store(raised(2)).await;
    play.all_done().await;
    let said = play.said(3).await;
    assert!(said[1].contains("the fridge, 0"), "{said:?}");
    assert!(said[2].contains("the fridge, 2"), "{said:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn after_a_day_an_alert_is_still_told_and_after_more_than_three_and_many_tries_it_is_given_up() {
    let play = Play::begin(&[], Body::Text("{message}".to_owned()), Picks::all()).await;
    *lock(&play.moods.poison) = Some("the fridge".to_owned());
    let ago = |hours| Timestamp::now() - SignedDuration::from_hours(hours);
    play.store_at(raised(0), ago(74)).await;
    play.store_at(raised(1), ago(25)).await;
    // As if it had been tried all the time: a clock that leapt three days has not waited.
    let tried = |writer: &mut crate::store::Writer| {
        for _ in 0..super::super::LEAST_TRIES {
            writer.outbox_retry(&[1], Timestamp::now(), "nobody is there")?;
        }
        Ok(())
    };
    play.house.store.write(tried).await.unwrap();
    let given_up = async {
        loop {
            let backlog = play.house.store.read(|reader| reader.backlog()).await.unwrap();
            if backlog
                .first()
                .is_some_and(|of| of.given_up == 1 && of.failing == 1)
            {
                return;
            }
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, given_up).await.unwrap();
    *lock(&play.moods.poison) = None;
    // A new one is a reason to try the others at once.
    play.store(raised(2)).await;
    play.all_done().await;
    assert_eq!(
        play.said(2).await,
        ["Move plum 1 to the fridge, 1.", "Move plum 1 to the fridge, 2."]
    );
}
