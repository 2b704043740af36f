//! Four daemons share a site; the machine of one is gone, and another one takes its batches over. The command `takeover` does it with more.

use fobwatch_tests::take_over;

#[test]
fn the_share_of_a_machine_that_is_gone_is_taken_over_without_a_loss() {
    let taken = take_over(4, 8);
    assert_eq!(taken.batches, (4, 1));
    assert_eq!(taken.without_all, Vec::<String>::new());
    assert_eq!(taken.not_on_server, Vec::<String>::new());
    assert_eq!(taken.watched.len(), 4);
    for (name, [forecasts, alerts, asked]) in &taken.alone {
        assert!(forecasts.len() > 10, "{name}: {forecasts:?}");
        assert!(!alerts.is_empty(), "{name}");
        let [watched, told, answered] = &taken.watched[name];
        assert_eq!(told, alerts, "{name}");
        assert_eq!(answered, asked, "{name}");
        assert_eq!(watched, forecasts, "{name}");
    }
    let acknowledged = |alert: &String| alert.contains("\"acknowledged\"") && alert.contains("\"Ada\"");
    let [_, alerts, _] = taken
        .watched
        .values()
        .find(|[_, alerts, _]| alerts.iter().any(acknowledged))
        .unwrap();
    assert!(alerts.len() > 1, "{alerts:?}");
}
