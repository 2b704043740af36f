//! Four hours with a restarted broker and two pulled plugs in each; the command `soak` plays a week.

use fobwatch_tests::soak;

#[test]
fn four_hours_of_failing_links_lose_nothing_and_change_no_alert() {
    let soaked = soak("plain", 4);
    assert!(soaked.sent > 100, "{}", soaked.sent);
    assert_eq!((soaked.restarts, soaked.pulled), (4, 8));
    assert_eq!(soaked.stored, soaked.sent);
    assert!(soaked.whole, "each once and in order");
    assert_eq!(soaked.alerts, soaked.replayed);
}
