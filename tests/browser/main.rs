//! The page as people use it: with a finger, a pointer or keys alone, with and without script, on a phone and on a desk.
//!
//! In Debian's chromium without a window, on loopback. `FOBWATCH_PICTURES=FOLDER` keeps what was seen, to be looked at.

mod kitchen;
mod names;
mod visit;

use std::fs;

use fobwatch_tests::{Daemon, ENTER, Window, wait_for};
use kitchen::{Kitchen, PATIENCE};
use visit::Visit;

/// The demo goes on while it is looked at, so each step looks again until it is done.
#[test]
fn a_visitor_of_the_demo_reads_tells_and_has_seen() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let temporary = folder.path().join("tmp");
    fs::create_dir(&temporary).expect("the folder of the demo is made");
    let demo = Daemon::demo(&temporary, &folder.path().join("demo.log"));
    let visit = Visit::of(&demo, Window::DESK);
    let browser = &visit.browser;
    wait_for("an agenda with pictures", PATIENCE, || {
        visit.goes_to("/");
        browser.find("//section[@class='batch']//*[local-name()='svg']")
    });
    assert!(visit.reads_the_agenda().len() > 10);
    assert!(visit.reads("//*[contains(@class,'demo')]").contains("Demo."));
    visit.is_accessible();
    visit.keeps("demo");
    let tell = wait_for("the form of a batch", PATIENCE, || {
        visit.goes_to("/");
        let batch = browser.find("//*[@id='shelf']//a[starts-with(@href,'#batch-')]")?;
        browser.click(&batch)?;
        let link = browser.find("//section[@class='batch']//a[contains(@href,'/tell')]")?;
        browser.click(&link)?;
        browser.address().ends_with("/tell").then(|| browser.address())
    });
    // The demo may begin anew at any time: its hour before this note would then be refused.
    wait_for("a note", PATIENCE, || {
        browser.go(&tell);
        browser.click(&browser.find("//summary[.='I opened a bottle']")?)?;
        let number = browser.find("//form[.//input[@value='opened']]//input[@name='bottles']")?;
        browser.write(&number, "4")?;
        browser.click(&browser.find("//form[.//input[@value='opened']]//button[@value='lively']")?)?;
        let noted = "//section[@class='batch']//*[contains(text(),'Opened no. 4: lively')]";
        browser.find(noted)
    });
    wait_for("an alert that was seen", PATIENCE, || {
        visit.goes_to("/");
        let button = browser.find("//button[contains(.,'I have seen this')]")?;
        browser.click(&button)?;
        browser.find("//*[contains(text(),'Somebody has seen this')]")
    });
}

#[test]
fn on_a_phone_without_script() {
    let kitchen = Kitchen::open();
    let visit = Visit::without_script(&kitchen.daemon, Window::PHONE);
    reads_tells_and_has_seen(&visit, &kitchen, "phone-without-script");
}

#[test]
fn on_a_phone_with_script() {
    let kitchen = Kitchen::open();
    let visit = Visit::of(&kitchen.daemon, Window::PHONE);
    reads_tells_and_has_seen(&visit, &kitchen, "phone");
}

#[test]
fn on_a_desk_without_script() {
    let kitchen = Kitchen::open();
    let visit = Visit::without_script(&kitchen.daemon, Window::DESK);
    reads_tells_and_has_seen(&visit, &kitchen, "desk-without-script");
}

#[test]
fn on_a_desk_with_script() {
    let kitchen = Kitchen::open();
    let visit = Visit::of(&kitchen.daemon, Window::DESK);
    reads_tells_and_has_seen(&visit, &kitchen, "desk");
    visit.browser.as_seen("screen", "dark");
    visit.goes_to("/");
    visit.is_accessible();
    visit.keeps("desk-dark");
    looks_closer(&visit);
    visit.browser.as_seen("print", "light");
    visit.keeps("print");
}

/// The value under the pointer, and a stretch of time drawn wider by keys alone, which stays when the page is renewed.
fn looks_closer(visit: &Visit<'_>) {
    let chart = "//*[@id='batch-hibiscus-12']//*[local-name()='svg' and @data-from]";
    let told = |right| {
        wait_for("the value under the pointer", PATIENCE, || {
            visit.browser.point(&visit.browser.find(chart)?, right)?;
            visit
                .browser
                .text(&visit.browser.find("//output[@class='crosshair']")?)
        })
    };
    let (early, late) = (told(-300), told(250));
    assert!(early.contains("volumes (") && late.contains("volumes (") && early != late);
    let middle = |words: &str| -> f64 {
        let figure = words.split(": ").nth(1).and_then(|words| words.split(' ').next());
        figure.and_then(|figure| figure.parse().ok()).expect("a figure")
    };
    assert!(middle(&early) < middle(&late), "{early}, {late}");

    visit.tabs_to("self::summary and contains(.,'Look closer')");
    visit.browser.press(ENTER);
    visit.tabs_to("self::button and .='Nearer'");
    visit.browser.press(ENTER);
    visit.browser.press(ENTER);
    let shown = "//details[@class='closer'][@open]//output";
    let first = visit.waits_for(shown, "Shown: ");
    visit.tabs_to("self::button and .='Later'");
    visit.browser.press(ENTER);
    let later = wait_for("a later stretch", PATIENCE, || {
        visit
            .browser
            .text(&visit.browser.find(shown)?)
            .filter(|text| *text != first)
    });
    visit.is_accessible();
    visit.is_large_enough_for_a_thumb();
    let renewed = visit.browser.run(
        "document.getElementById('main').setAttribute('data-old', ''); document.dispatchEvent(new Event('visibilitychange')); return true",
    );
    assert_eq!(renewed, true);
    wait_for("the page renewed", PATIENCE, || {
        visit.browser.find("//main[not(@data-old)]")
    });
    assert_eq!(visit.reads(shown), later);
    assert!(visit.sees("//button[.='Later']"));
    visit.keeps("desk-closer");
    visit.browser.press(ENTER);
    wait_for("the focus to have stayed", PATIENCE, || {
        visit
            .browser
            .text(&visit.browser.find(shown)?)
            .filter(|text| *text != later)
    });
}

/// The whole round of a person: agenda, batch, note, alert.
fn reads_tells_and_has_seen(visit: &Visit<'_>, kitchen: &Kitchen, name: &str) {
    let headline = visit.reads_the_agenda();
    assert!(headline.contains("hibiscus 12 to the fridge now"), "{headline}");
    visit.is_accessible();
    visit.is_large_enough_for_a_thumb();
    visit.keeps(name);
    // From the shelf to the batch, from there to the form.
    visit.clicks("//*[@id='shelf']//a[@href='#batch-lime-and-mint-4']");
    assert!(visit.browser.address().ends_with("#batch-lime-and-mint-4"));
    visit.clicks("//*[@id='batch-lime-and-mint-4']//a[contains(@href,'/tell')]");
    visit.is_accessible();
    visit.is_as_wide_as_the_window();
    visit.is_large_enough_for_a_thumb();
    visit.keeps(&format!("{name}-tell"));
    // What cannot be is refused on the form, with what is allowed.
    let given_away = "//form[.//input[@value='given_away']]";
    visit.clicks("//summary[.='I gave some away']");
    visit.writes(&format!("{given_away}//input[@name='bottles']"), "999");
    visit.clicks(&format!("{given_away}//button[.='Note it']"));
    let wrong = visit.reads("//*[@role='alert']");
    assert!(
        wrong.starts_with("Not noted.") && wrong.contains("999"),
        "{wrong}"
    );
    visit.is_accessible();
    let opened = "//form[.//input[@value='opened']]";
    visit.clicks("//summary[.='I opened a bottle']");
    visit.writes(&format!("{opened}//input[@name='bottles']"), "3");
    visit.is_large_enough_for_a_thumb();
    visit.clicks(&format!("{opened}//button[@value='lively']"));
    let noted = "//*[@id='batch-lime-and-mint-4']//*[@class='noted']";
    assert!(visit.waits_for(noted, "Opened no. 3").contains("lively"));
    assert!(!visit.browser.address().contains("/tell"));
    // And the alert.
    visit.clicks("//*[@class='agenda']//button[contains(.,'I have seen this')]");
    visit.waits_for("//*[@class='agenda']", "Somebody has seen this");
    let seen = ("move_to_fridge".to_owned(), "acknowledged".to_owned());
    assert!(
        kitchen.alert_states().contains(&seen),
        "{:?}",
        kitchen.alert_states()
    );
}

#[test]
fn keys_alone_are_enough() {
    let kitchen = Kitchen::open();
    let visit = Visit::without_script(&kitchen.daemon, Window::DESK);
    visit.reads_the_agenda();
    visit.tabs_to("self::a and @class='skip'");
    // Past the agenda to the shelf, to the batch, to its form.
    visit.tabs_to("@href='#batch-lime-and-mint-4'");
    visit.browser.press(ENTER);
    visit.tabs_to("contains(@href,'lime-and-mint-4/tell')");
    visit.browser.press(ENTER);
    visit.waits_for("//h1", "lime and mint 4");
    visit.tabs_to("self::summary and .='I opened a bottle'");
    visit.browser.press(ENTER);
    visit.tabs_to("@name='bottles' and @type='number'");
    visit.browser.press("2");
    // Before a word was chosen nothing is noted.
    visit.browser.press(ENTER);
    visit.tabs_to("self::button and @value='flat'");
    visit.browser.press(ENTER);
    let noted = "//*[@id='batch-lime-and-mint-4']//*[@class='noted']";
    assert!(visit.waits_for(noted, "Opened no. 2").contains("flat"));
    visit.goes_to("/");
    visit.tabs_to("self::button and contains(.,'I have seen this')");
    visit.browser.press(ENTER);
    visit.waits_for("//*[@class='agenda']", "Somebody has seen this");
}

#[test]
fn a_batch_begins_is_moved_and_ends_from_the_page() {
    let kitchen = Kitchen::open();
    let visit = Visit::of(&kitchen.daemon, Window::PHONE);
    visit.goes_to("/");
    visit.clicks("//nav//a[.='New batch']");
    visit.waits_for("//h1", "A new batch");
    visit.is_accessible();
    visit.is_large_enough_for_a_thumb();
    visit.is_as_wide_as_the_window();
    visit.keeps("phone-new");
    visit.writes("//input[@name='name']", "plum 1");
    visit.writes("//input[@name='drink.sucrose_g_per_l']", "60");
    visit.clicks("//input[@name='bottle.material' and @value='plastic']");
    visit.writes("//input[@name='target.co2_volumes']", "2,8");
    for name in ["sensors.pressure", "sensors.liquid_temperature"] {
        visit.writes(&format!("//input[@name='{name}']"), "gauge p");
    }
    visit.clicks("//button[.='Watch this batch']");
    let limit = "//input[@name='bottle.pressure_limit_bar']";
    let why = visit.waits_for(&format!("{limit}/following-sibling::p"), "Missing");
    assert!(why.contains("maker"), "{why}");
    visit.is_accessible();
    visit.keeps("phone-new-refused");
    visit.writes(limit, "6");
    visit.clicks("//button[.='Watch this batch']");
    visit.waits_for("//*[@id='batch-plum-1']", "Plum 1");
    // Three moved, and taken back.
    visit.clicks("//*[@id='batch-plum-1']//a[contains(@href,'/tell')]");
    let moved = "//form[.//input[@value='moved_to_fridge']]";
    visit.clicks("//summary[.='I moved them to the fridge']");
    wait_for("a field to be emptied", PATIENCE, || {
        visit
            .browser
            .empty(&visit.browser.find(&format!("{moved}//input[@name='how_many']"))?)
    });
    visit.writes(&format!("{moved}//input[@name='how_many']"), "3");
    visit.clicks(&format!("{moved}//button[.='Note it']"));
    let noted = "//*[@id='batch-plum-1']//*[@class='noted']";
    visit.waits_for(noted, "Moved to the fridge no. 1, 2, 3");
    visit.clicks("//*[@id='batch-plum-1']//button[contains(.,'Undo')]");
    visit.waits_for(noted, "not moved after all");
    // To its end.
    visit.clicks("//*[@id='batch-plum-1']//a[contains(@href,'/see-to')]");
    visit.waits_for("//h1", "See to plum 1");
    visit.is_accessible();
    visit.is_large_enough_for_a_thumb();
    visit.keeps("phone-see-to");
    visit.clicks("//input[@name='sure']");
    visit.clicks("//button[contains(.,'End plum 1')]");
    wait_for("the agenda without it", PATIENCE, || {
        (visit.browser.address().ends_with('/') && !visit.sees("//*[@id='batch-plum-1']")).then_some(())
    });
    plans_watches_and_asks(&visit);
    lets_somebody_look(&visit);
}

/// From the plan to the fridge, and to what can be done then; the pages beside the agenda.
fn plans_watches_and_asks(visit: &Visit<'_>) {
    let looks_right = |name: &str| {
        visit.is_accessible();
        visit.is_large_enough_for_a_thumb();
        visit.is_as_wide_as_the_window();
        visit.keeps(name);
    };
    visit.clicks("//nav//a[.='Plan']");
    visit.waits_for("//h1", "What would become of it?");
    for (name, text) in [
        ("name", "pear and thyme 2"),
        ("culture", "jar two"),
        ("sucrose_g_per_l", "60"),
        ("capacity_ml", "500"),
        ("fill_ml", "475"),
        ("count", "6"),
        ("pressure_limit_bar", "4.5"),
        ("target_volumes", "2.8"),
        ("room_low_c", "21"),
        // The only gauge that is heard sits on another batch.
        ("pressure", "gauge c"),
        ("liquid_temperature", "gauge c"),
    ] {
        visit.writes(&format!("//input[@name='{name}']"), text);
    }
    // Sealed two hours ago: typing a time depends on the browser's language.
    let sealed = visit.browser.run(
        "const field = document.querySelector('[name=bottled_at]'); const at = new Date(field.value + 'Z'); \
         at.setUTCHours(at.getUTCHours() - 2); field.value = at.toISOString().slice(0, 16); return field.value",
    );
    assert!(sealed.as_str().is_some_and(|at| at.len() == 16), "{sealed}");
    visit.clicks("//button[.='Tell me what to expect']");
    visit.waits_for("//main", "Move the bottles to the fridge about");
    looks_right("phone-planned");
    visit.clicks("//button[contains(.,'watch this batch')]");

    visit.clicks("//*[@id='batch-pear-and-thyme-2']//button[contains(.,'I have moved them all')]");
    visit.waits_for(
        "//*[@id='batch-pear-and-thyme-2']//*[@class='noted']",
        "Moved to the fridge",
    );
    visit.clicks("//*[@id='batch-pear-and-thyme-2']//a[contains(@href,'/rescue')]");
    visit.waits_for("//h1", "What can be done for pear and thyme 2");
    looks_right("phone-rescue");
    for (page, words) in [
        ("Cultures", "Hibiscus 12 (jar two)"),
        ("Experiments", "No experiment yet."),
        ("Diaries", "Go on with a diary"),
    ] {
        visit.clicks(&format!("//nav//a[.='{page}']"));
        visit.waits_for("//main", words);
        looks_right(&format!("phone-{}", page.to_lowercase()));
    }
}

/// A link to one batch is made, opens it, and opens nothing once it is taken back.
fn lets_somebody_look(visit: &Visit<'_>) {
    visit.goes_to("/account?batch=hibiscus-12");
    visit.clicks("//button[.='Make a link']");
    let address = visit.waits_for("//*[@role='status']//code", "/shared/");
    visit.is_accessible();
    visit.is_large_enough_for_a_thumb();
    visit.keeps("phone-account");
    visit.browser.go(&address);
    visit.waits_for("//main", "You can look, and change nothing.");
    assert!(!visit.sees("//form") && !visit.reads("//body").contains("lime and mint"));
    visit.is_accessible();
    visit.goes_to("/account");
    visit.clicks("//button[contains(.,'Take back')]");
    visit.waits_for("//main", "No link opens anything now.");
    visit.browser.go(&address);
    visit.waits_for("//h1", "That cannot be shown.");
}
