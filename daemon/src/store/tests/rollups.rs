//! Rollups, thinning, and what pictures are drawn from.

use super::*;

const DAY: i64 = 86_400;

fn pilot() -> Source {
    Source::new("pilot").unwrap()
}

/// Every ten seconds for two hours, in an order that is not that of time.
fn two_hours() -> Vec<Reading> {
    (0..720_i64)
        .map(|index| (index * 7) % 720)
        .map(|index| {
            #[expect(clippy::cast_precision_loss, reason = "a small number")]
            let value = 1.0 + 0.001 * ((index * 37) % 101) as f64;
            bar("pilot", index * 10, value)
        })
        .collect()
}

fn filled(folder: &Path) -> Writer {
    let mut writer = Writer::open(folder).unwrap();
    for some in two_hours().chunks(50) {
        writer.append_readings(some, at(7_300)).unwrap();
    }
    writer
}

fn rolled(writer: &Writer, from: i64, until: i64, count: u32) -> Vec<Bucket> {
    writer
        .reader()
        .rolled(&pilot(), Quantity::Pressure, at(from), at(until), count)
        .unwrap()
}

/// How many, the lowest and the highest.
fn totals(buckets: &[Bucket]) -> (u64, Option<f64>, Option<f64>) {
    (
        buckets.iter().map(|bucket| bucket.count).sum(),
        buckets.iter().map(|b| b.least.stored_value()).reduce(f64::min),
        buckets.iter().map(|b| b.most.stored_value()).reduce(f64::max),
    )
}

/// The rollups of a store against the same reckoned anew from its raw readings by the database itself.
#[test]
fn rollups_of_readings_in_any_order_are_those_of_the_raw_readings() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    writer.settle().unwrap();
    let wrong: i64 = unpacked(&writer)
        .query_row(
            "SELECT count(*) FROM rollup WHERE
                 (count, least, most) IS NOT (SELECT count(*), min(value), max(value) FROM reading
                     WHERE series = rollup.series AND at_us - at_us % 300000000 = rollup.at_us)
              OR abs(sum - (SELECT sum(value) FROM reading
                     WHERE series = rollup.series AND at_us - at_us % 300000000 = rollup.at_us)) > 0.001
              OR first IS NOT (SELECT value FROM reading WHERE series = rollup.series AND at_us = first_us)
              OR last IS NOT (SELECT value FROM reading WHERE series = rollup.series AND at_us = last_us)
              OR first_us <> (SELECT min(at_us) FROM reading
                     WHERE series = rollup.series AND at_us - at_us % 300000000 = rollup.at_us)",
            [],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(wrong, 0);
    let rolls: i64 = writer
        .connection()
        .query_row("SELECT count(*) FROM rollup", [], |row| row.get(0))
        .unwrap();
    assert_eq!(rolls, 24, "two hours of five minutes");
}

#[test]
fn thinning_takes_old_raw_readings_and_changes_no_picture_of_them() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    let (coarse, fine) = (rolled(&writer, 0, 7_200, 12), rolled(&writer, 0, 7_200, 720));
    assert_eq!((coarse.len(), fine.len()), (12, 720));
    assert_eq!(totals(&coarse), totals(&fine));
    assert_eq!(writer.reader().thinned(at(0), at(DAY)).unwrap(), None);

    // Too young by arrival, however old they are.
    assert_eq!(writer.thin(at(7_300), &[], 1_000).unwrap(), 0);
    assert_eq!(writer.thin(at(DAY), &[], 500).unwrap(), 500);
    let rest = writer.thin(at(DAY), &[], 500).unwrap();
    assert_eq!(rest, 218, "the last by time and the last to come stay");
    assert_eq!(writer.thin(at(DAY), &[], 500).unwrap(), 0);

    assert_eq!(rolled(&writer, 0, 7_200, 12), coarse);
    let finest = rolled(&writer, 0, 7_200, 720);
    assert_eq!(finest.len(), 24, "one for each five minutes is left");
    assert_eq!(totals(&finest), totals(&fine));
    let thinned = writer.reader().thinned(at(0), at(DAY)).unwrap().unwrap();
    assert_eq!((thinned.count, thinned.first_at), (718, at(0)));
    let series = writer.reader().series().unwrap();
    assert_eq!((series[0].first_at, series[0].last_at), (at(0), at(7_190)));

    let last = writer.reader().last_sequence().unwrap();
    assert_eq!(last, Sequence(720));
    writer.close().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    assert_eq!(
        writer
            .append_readings(&[bar("pilot", 8_000, 1.0)], at(8_001))
            .unwrap(),
        [Appended::New(Sequence(721))],
        "no place in the order is given twice"
    );
}

#[test]
fn a_late_reading_among_thinned_ones_is_kept_and_counted_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    while writer.thin(at(DAY), &[], 500).unwrap() > 0 {}
    let before = rolled(&writer, 0, 300, 1);
    // Handed in a second time: nobody can tell it from the first.
    writer.append_readings(&two_hours()[..20], at(2 * DAY)).unwrap();
    assert_eq!(rolled(&writer, 0, 300, 1), before);
    // Beyond all that was counted: it is another.
    writer
        .append_readings(&[bar("pilot", 297, 3.0)], at(2 * DAY))
        .unwrap();
    let after = rolled(&writer, 0, 300, 1);
    assert_eq!(after[0].count, before[0].count + 1);
    assert!((after[0].most.stored_value() - 300_000.0).abs() < 1e-6);
}

#[test]
fn a_live_batch_and_a_server_that_is_behind_keep_their_raw_readings() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    // Sealed at -1800 s: all is since then.
    writer.add_batch(&batch(), BATCH, at(0)).unwrap();
    assert_eq!(writer.thin(at(DAY), &[], 1_000).unwrap(), 0);
    writer.end_batch("plum 1", at(DAY)).unwrap();

    let server = "series:http://127.0.0.1:8086/ fobwatch fobwatch".to_owned();
    let servers = std::slice::from_ref(&server);
    assert_eq!(
        writer.thin(at(DAY), servers, 1_000).unwrap(),
        0,
        "it was told nothing yet"
    );
    writer.set_told(&server, Told::Readings, 100).unwrap();
    assert_eq!(writer.thin(at(DAY), servers, 1_000).unwrap(), 100);
}

/// Both sides of the epoch, and so few at once that a lot ends within five minutes.
#[test]
fn rollups_that_are_made_later_in_lots_are_those_that_were_made_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    let early: Vec<Reading> = (0..40)
        .map(|index| {
            let mut reading = bar("kitchen", 0, 1.0 + f64::from(index) * 0.01);
            reading.at = Timestamp::from_second(-450 + i64::from(index) * 20).unwrap();
            reading
        })
        .collect();
    writer.append_readings(&early, at(7_300)).unwrap();
    writer.settle().unwrap();
    let all = |writer: &Writer| -> Vec<String> {
        let mut query = writer
            .connection()
            .prepare(
                "SELECT series || ' ' || at_us || ' ' || count || ' ' || least || ' ' || round(sum, 3) || ' ' || most || ' ' ||
                        first_us || ' ' || first || ' ' || last_us || ' ' || last || ' ' || thinned
                 FROM rollup ORDER BY series, at_us",
            )
            .unwrap();
        let rows = query.query_map([], |row| row.get(0)).unwrap();
        rows.map(|row| row.unwrap()).collect()
    };
    let before = all(&writer);
    assert!(before.len() > 24);
    // As they stood when rollups were new.
    unpacked(&writer);
    for at_once in [1, 7, 30, 100_000] {
        let transaction = writer.connection.transaction().unwrap();
        transaction.execute("DELETE FROM rollup", []).unwrap();
        super::super::rollup::fill(&transaction, at_once).unwrap();
        transaction.commit().unwrap();
        assert_eq!(all(&writer), before, "{at_once}");
    }
}
