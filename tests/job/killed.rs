//! Five kills in mid-work; the command `kills` does fifty.

use fobwatch_tests::kill_often;

#[test]
fn killed_five_times_under_load_it_ends_where_one_that_nobody_kills_does() {
    let killed = kill_often(30, 5, 3);
    assert!(killed.kills.0 >= 5, "{:?}", killed.kills);
    assert!(
        killed.sent.0 > 1_000 && killed.looked_for > 100,
        "{:?}",
        killed.sent
    );
    let (left, calm) = (&killed.left, &killed.calm);
    assert!(calm.whole && left.whole, "each reading once");
    assert!(calm.rows_once && left.rows_once, "each row once");
    assert_eq!(left.not_on_server, []);
    assert!(!calm.alerts.is_empty() && !calm.deliveries.is_empty());
    assert_eq!(left.alerts, calm.alerts, "an alert was lost or raised twice");
    assert_eq!(left.deliveries, calm.deliveries);
    assert!(left.readings == calm.readings, "in another order");
    assert_eq!(left.asked, calm.asked);
    assert_eq!(left, calm);
}
