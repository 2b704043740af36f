//! Pages written to a folder for whoever wants to look at them: calm, danger, empty, many, midnight.

use std::fs;

use fobwatch_core::{
    alert::AlertName,
    engine::{ApartView, Place},
    forecast::Odd,
    note::{Note, NoteKind},
};
use jiff::SignedDuration;

use super::{
    super::{
        self as page, Shown, agenda,
        fixture::{self, Made, alert, context, danger, hibiscus, lime, now, pear, plum},
        style,
    },
    all, move_now, scenes,
};

#[test]
#[ignore = "writes pages to look at"]
fn write_pages_to_look_at() {
    let folder = std::env::temp_dir().join("fobwatch-pages");
    fs::create_dir_all(&folder).unwrap();
    let long = "a very long name that somebody gave to one filling of bottles without any thought";
    let mut longest = Made::new(&long.chars().take(80).collect::<String>());
    longest.culture = "Donaudampfschifffahrtsgesellschaftskapitaenswitwenstarterkulturglas".to_owned();
    let mut demo = context();
    demo.demo = true;
    let mut many: Vec<Shown> = (0..200)
        .map(|number| Made::new(&format!("pear and thyme {number}")).shown())
        .collect();
    many.push(danger());
    let behind = Shown {
        behind: true,
        ..pear()
    };
    let mut danger_of_some = danger();
    danger_of_some.view.place = Place::Fridge;
    danger_of_some.view.apart = Some(ApartView {
        count: 2,
        why: "2 of 8 bottles are still in the room.".to_owned(),
        forecast: danger_of_some.view.forecast.clone(),
        outlook: danger_of_some.view.outlook.clone(),
    });
    let mut lost = danger();
    lost.view.alerts = vec![alert(
        AlertName::SuddenLoss,
        1,
        "Pressure fell from 4.1 bar and nobody noted an opening. A bottle may have burst or a stopper lifted. The others still \
         hold pressure. Stay out.",
    )];
    let at = |hour: &str| {
        let context = scenes::when(hour);
        agenda(&scenes::at_hour(&context), &context)
    };
    let mut noted = hibiscus();
    noted.notes = [
        (50, NoteKind::Squeezed, "soft"),
        (20, NoteKind::Opened, "light"),
        (2, NoteKind::MovedToFridge, ""),
    ]
    .into_iter()
    .map(|(hours, kind, text)| Note {
        at: now() - SignedDuration::from_hours(hours),
        kind,
        bottles: (kind == NoteKind::Opened).then(|| vec![1]),
        value: None,
        unit: None,
        text: (!text.is_empty()).then(|| text.to_owned()),
        takes_back: None,
    })
    .collect();
    let mut asked = hibiscus();
    asked.view.asked = vec![Odd::Sugar];
    asked.view.questions = vec![
        "Hibiscus 12 has made more CO2 than its sugar can give: is the sugar in the batch file right, and nothing sweet left out?".to_owned(),
    ];
    // All sensors dead; none ever; sealed a minute ago.
    let mut dead = plum();
    for sensor in &mut dead.view.sensors {
        sensor.silent = true;
        sensor.at = sensor.at.map(|at| at - SignedDuration::from_hours(60));
    }
    let mut no_sensor = lime();
    no_sensor.view.sensors.clear();
    no_sensor.warmth = None;
    let first = Made {
        age_h: 0.1,
        ..Made::new("pear and thyme 2")
    };
    let offers: Vec<_> = AlertName::ALL
        .into_iter()
        .map(|alert| (alert, page::Offer::ALL.to_vec()))
        .collect();
    let typed = |pairs: &[(&str, &str)]| {
        let owned = pairs
            .iter()
            .map(|(key, text)| ((*key).to_owned(), (*text).to_owned()));
        owned.collect()
    };
    let refused = page::Begun {
        fields: typed(&[
            ("name", "hibiscus 12"),
            ("drink.sucrose_g_per_l", "-60"),
            ("bottle.fill_ml", "575"),
            ("bottle.capacity_ml", "500"),
        ]),
        wrong: typed(&[
            ("drink.sucrose_g_per_l", "It is -60; allowed: 0 to 900 g/L."),
            (
                "bottle.fill_ml",
                "It is 575; allowed: above 0 and below the capacity of 500 mL.",
            ),
            (
                "bottle.pressure_limit_bar",
                "Missing; allowed: above 0 to 100 bar of gauge pressure: the figure of the bottle's maker; fobwatch has no default.",
            ),
            ("bottle.material", "Missing; allowed: glass, plastic or steel."),
        ]),
        ..page::Begun::default()
    };
    let pages = [
        ("new-refused", page::begin(&refused, &context())),
        ("correct", page::correct(&hibiscus(), &refused, &context())),
        ("lost", agenda(&[lost, lime()], &context())),
        ("midnight", at(scenes::BEFORE_MIDNIGHT)),
        ("spring", at(scenes::BEFORE_SPRING)),
        ("autumn", at(scenes::BEFORE_AUTUMN)),
        ("in-autumn", at(scenes::IN_AUTUMN)),
        ("long", agenda(&scenes::long_names(), &context())),
        (
            "long-tell",
            page::tell(&scenes::long_names()[0], &context(), None),
        ),
        (
            "long-see-to",
            page::see_to(
                &scenes::long_names()[2],
                &offers,
                &context(),
                Some(scenes::LONG[0]),
            ),
        ),
        (
            "everything",
            agenda(&[scenes::everything_at_once(), lime()], &context()),
        ),
        (
            "everything-see-to",
            page::see_to(&scenes::everything_at_once(), &offers, &context(), None),
        ),
        ("noted", agenda(&[noted], &context())),
        (
            "tell",
            page::tell(
                &hibiscus(),
                &context(),
                Some(("opened", "The bottles are 9; allowed: 1 to 8.")),
            ),
        ),
        ("shared", page::shared(&hibiscus(), &context())),
        (
            "login",
            page::login("/", Some("Name or password is wrong."), false),
        ),
        (
            "account",
            page::account(
                &page::Account {
                    who: Some("Ada".to_owned()),
                    batches: vec![("plum-1".to_owned(), "plum 1".to_owned())],
                    links: vec![
                        (1, "plum 1".to_owned(), now()),
                        (2, "expected moves of all batches".to_owned(), now()),
                    ],
                    made: Some(
                        "https://bottles.example/shared/5f0c9a77d1e2b3c4a5968778695a4b3c2d1e0f".to_owned(),
                    ),
                    ..page::Account::default()
                },
                &context(),
            ),
        ),
        (
            "complaint",
            page::complaint("this link opens nothing (any more)", false),
        ),
        ("asked", agenda(&[asked], &context())),
        ("sensors", agenda(&[dead, no_sensor, first.shown()], &context())),
        ("new", page::begin(&page::Begun::default(), &context())),
        ("see_to", page::see_to(&plum(), &offers, &context(), None)),
        ("calm", agenda(&[pear(), lime(), plum(), hibiscus()], &context())),
        ("danger", agenda(&all(), &demo)),
        (
            "move",
            agenda(&[hibiscus(), move_now(), longest.shown()], &context()),
        ),
        ("empty", agenda(&[], &context())),
        ("many", agenda(&many, &context())),
        ("behind", agenda(&[behind, lime(), danger_of_some], &context())),
    ];
    for (name, page) in pages {
        let page = page
            .replace("/style.css", "style.css")
            .replace("/chart.js", "chart.js")
            .replace("/favicon.svg", "favicon.svg");
        fs::write(folder.join(format!("{name}.html")), page).unwrap();
    }
    fs::write(folder.join("style.css"), style()).unwrap();
    fs::write(folder.join("chart.js"), page::chart_script()).unwrap();
    fs::write(folder.join("favicon.svg"), page::favicon()).unwrap();
    assert!(fixture::now() == now());
}
