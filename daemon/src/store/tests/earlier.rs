//! A store of an earlier layout answers the same, read as it is or brought to the present one.

use super::{
    super::{earlier, layout},
    fresh::{asked_of, half_settled},
    *,
};

/// Takes the store in `folder` back to the ninth layout, or the tenth.
fn take_back(folder: &Path, to: i64) {
    let mut file = Connection::open(folder.join(FILE)).unwrap();
    simulated::unpack(&file).unwrap();
    let transaction = file.transaction().unwrap();
    transaction
        .execute_batch(
            "CREATE TABLE main.reading (
                 series INTEGER NOT NULL REFERENCES series (id), at_us INTEGER NOT NULL, value REAL NOT NULL,
                 seq INTEGER NOT NULL, received_us INTEGER NOT NULL, PRIMARY KEY (series, at_us)
             ) WITHOUT ROWID, STRICT;
             INSERT INTO main.reading SELECT * FROM temp.reading;
             DROP TABLE temp.reading;
             DROP VIEW temp.arrived;
             CREATE UNIQUE INDEX reading_by_seq ON reading (seq);
             DROP TABLE arrival;
             DROP VIEW held;
             DROP TABLE stretch;
             CREATE VIEW arrived AS
                 SELECT series, at_us, value, seq, received_us FROM reading
                 UNION ALL SELECT series, at_us, value, seq, received_us FROM fresh;",
        )
        .unwrap();
    if to == layout::WITH_ARRIVALS {
        transaction
            .execute_batch("CREATE TABLE arrival (last INTEGER PRIMARY KEY, body BLOB NOT NULL) STRICT")
            .unwrap();
        earlier::fill_arrivals(&transaction).unwrap();
    }
    transaction.pragma_update(None, "user_version", to).unwrap();
    transaction.commit().unwrap();
}

#[test]
fn whatever_is_asked_of_an_earlier_layout_the_answer_is_that_of_the_present_one() {
    for to in [layout::WITH_FRESH, layout::WITH_ARRIVALS] {
        for thinned in [false, true] {
            let folder = tempfile::tempdir().unwrap();
            let mut writer = half_settled(folder.path());
            if thinned {
                assert_eq!(writer.thin(at(4_000), &[], 300).unwrap(), 300);
                let late = [
                    bar("pilot", 20, 1.0),
                    bar("pilot", 8_000, 1.0),
                    bar("cellar", 9, 1.0),
                ];
                writer.append_readings(&late, at(90_001)).unwrap();
            }
            let before = asked_of(&writer.reader());
            drop(writer);
            take_back(folder.path(), to);
            let file = std::fs::read(folder.path().join(FILE)).unwrap();
            let as_it_is = Store::read_folder(folder.path(), |reader| {
                assert_eq!(reader.layout()?, to);
                Ok(asked_of(reader))
            });
            assert_eq!(as_it_is.unwrap(), before, "{to} {thinned}");
            assert!(
                std::fs::read(folder.path().join(FILE)).unwrap() == file,
                "it was written to"
            );
            let writer = Writer::open(folder.path()).unwrap();
            assert_eq!(asked_of(&writer.reader()), before, "{to} {thinned}");
            let of_earlier: i64 = unpacked(&writer)
                .query_row(
                    "SELECT count(*) FROM main.sqlite_schema WHERE name IN ('reading', 'reading_by_seq', 'arrived', 'arrival_by_minute')",
                    [],
                    |row| row.get(0),
                )
                .unwrap();
            assert_eq!(of_earlier, 0);
        }
    }
}
