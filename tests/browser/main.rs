//! The page as people use it: with a finger, a pointer or keys alone, with and without script, on a phone and on a desk.
//!
//! `FOBWATCH_PICTURES=FOLDER` keeps what was seen, to be looked at.

use std::{
    env, fs,
    path::{Path, PathBuf},
    time::Duration,
};

use fobwatch_tests::{Browser, Daemon, ENTER, TAB, Window, wait_for};
use serde_json::Value;
use tempfile::TempDir;

/// A bound on waiting; nothing is measured with it.
const PATIENCE: Duration = Duration::from_secs(110);

#[test]
fn a_visitor_does_it_all_on_a_phone_without_script() {
    let visit = Visit::begin(Window::PHONE);
    visit.browser.without_script();
    visit.reads_the_agenda();
    visit.keeps("phone-agenda");
    visit.tells_of_an_opened_bottle("3");
    visit.has_seen_an_alert();
}

#[test]
fn a_visitor_does_it_all_on_a_desk_with_script() {
    let visit = Visit::begin(Window::DESK);
    visit.reads_the_agenda();
    visit.keeps("desk-agenda");
    visit.is_accessible();
    visit.tells_of_an_opened_bottle("4");
    visit.has_seen_an_alert();
    visit.browser.as_seen("screen", "dark");
    visit.is_accessible();
    visit.keeps("desk-dark");
    visit.browser.as_seen("print", "light");
    visit.keeps("print");
}

#[test]
fn keys_alone_are_enough() {
    let visit = Visit::begin(Window::DESK);
    visit.browser.without_script();
    visit.reads_the_agenda();
    let form = visit.form_of_first_batch();
    visit.browser.go(&visit.address(&form));
    // From the top of the form: number of the bottle, its fizz, the button.
    visit.tabs_to("@name='bottles' and @type='number'");
    visit.browser.press("2");
    visit.tabs_to("@name='text' and @value='flat'");
    visit.browser.press(" ");
    visit.tabs_to("self::button");
    visit.browser.press(ENTER);
    visit.is_back_with("Opened no. 2");
}

#[test]
fn what_was_wrong_stands_on_the_form() {
    let visit = Visit::begin(Window::PHONE);
    visit.reads_the_agenda();
    let form = visit.form_of_first_batch();
    visit.browser.go(&visit.address(&form));
    visit.is_accessible();
    visit.keeps("phone-tell");
    let field = visit
        .browser
        .find("//form[.//input[@value='given_away']]//input[@name='bottles']")
        .expect("bottles can be given away");
    visit.browser.write(&field, "999").expect("it takes text");
    let button = visit
        .browser
        .find("//form[.//input[@value='given_away']]//button")
        .expect("it can be noted");
    visit.browser.click(&button).expect("it is in reach");
    let wrong = wait_for("what was wrong", PATIENCE, || {
        let told = visit.browser.find("//*[@role='alert']")?;
        visit.browser.text(&told)
    });
    assert!(
        wrong.starts_with("Not noted.") && wrong.contains("999"),
        "{wrong}"
    );
    visit.keeps("phone-wrong");
    visit.is_accessible();
}

/// A demo, and somebody before it.
struct Visit {
    browser: Browser,
    demo: Daemon,
    _folder: TempDir,
}

impl Visit {
    fn begin(window: Window) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let temporary = folder.path().join("tmp");
        fs::create_dir(&temporary).expect("the folder of the demo is made");
        let demo = Daemon::demo(&temporary, &folder.path().join("demo.log"));
        let browser = Browser::open(window);
        Self {
            browser,
            demo,
            _folder: folder,
        }
    }

    fn address(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.demo.port())
    }

    /// Waits until all three batches have been reckoned and one is to be moved.
    fn reads_the_agenda(&self) {
        let headline = wait_for("an agenda that asks for a move", PATIENCE, || {
            self.browser.go(&self.address("/"));
            self.browser.find("//*[@class='agenda']//form")?;
            let headline = self.browser.find("//h1")?;
            self.browser.text(&headline)
        });
        assert!(headline.ends_with('.') && headline.len() > 10, "{headline}");
        assert!(self.browser.find("//*[@class='demo']").is_some());
        assert!(
            self.browser
                .find("//section[@class='batch']//*[local-name()='svg']")
                .is_some()
        );
        let width = self
            .browser
            .run("return document.documentElement.scrollWidth - window.innerWidth");
        assert!(
            width.as_i64().is_some_and(|over| over <= 0),
            "it runs off to the side by {width} pixels"
        );
    }

    fn form_of_first_batch(&self) -> String {
        let batches = self.demo.json("/api/v1/batches");
        let slug = batches.pointer("/batches/0/slug").and_then(Value::as_str);
        format!("/batches/{}/tell", slug.expect("the demo has batches"))
    }

    /// From the agenda to a batch, to its form, and back to what was noted.
    fn tells_of_an_opened_bottle(&self, bottle: &str) {
        let browser = &self.browser;
        wait_for("the form of a batch", PATIENCE, || {
            browser.go(&self.address("/"));
            let batch = browser.find("//*[@id='shelf']//a[starts-with(@href,'#batch-')]")?;
            browser.click(&batch)?;
            let link = browser.find("//section[@class='batch']//a[contains(@href,'/tell')]")?;
            browser.click(&link)?;
            browser.find("//form[.//input[@value='opened']]")
        });
        let inside = |what: &str| format!("//form[.//input[@value='opened']]//{what}");
        let number = browser
            .find(&inside("input[@name='bottles']"))
            .expect("it asks which");
        browser.write(&number, bottle).expect("it takes a number");
        let word = browser
            .find(&inside("input[@value='lively']"))
            .expect("it asks how it was");
        browser.click(&word).expect("a word is in reach");
        let button = browser.find(&inside("button")).expect("it can be noted");
        browser.click(&button).expect("the button is in reach");
        self.is_back_with(&format!("Opened no. {bottle}"));
    }

    fn is_back_with(&self, note: &str) {
        let told = wait_for(note, PATIENCE, || {
            let address = self.browser.address();
            if address.contains("/tell") {
                return None;
            }
            let noted = self.browser.find(&format!(
                "//section[@class='batch']//*[contains(text(),'{note}')]"
            ))?;
            self.browser.text(&noted)
        });
        assert!(told.contains(note), "{told}");
    }

    fn has_seen_an_alert(&self) {
        wait_for("an alert that was seen", PATIENCE, || {
            self.browser.go(&self.address("/"));
            let button = self.browser.find("//button[contains(.,'I have seen this')]")?;
            self.browser.click(&button)?;
            let acknowledged = self.demo.json("/api/v1/alerts");
            let acknowledged = acknowledged
                .get("alerts")?
                .as_array()?
                .iter()
                .any(|alert| alert.get("state").is_some_and(|state| state == "acknowledged"));
            acknowledged.then_some(())
        });
    }

    /// Moves the focus with the tabulator until it stands on such an element.
    fn tabs_to(&self, such: &str) {
        for _ in 0..60 {
            self.browser.press(TAB);
            let here = self.browser.run(&format!(
                "return document.evaluate(\"self::*[{such}]\", document.activeElement, null, 3).booleanValue"
            ));
            if here == Value::Bool(true) {
                return;
            }
        }
        panic!("the tabulator does not lead to {such}");
    }

    /// No rule of WCAG 2.2 A and AA that axe-core can judge is broken.
    fn is_accessible(&self) {
        let script = fs::read_to_string(axe()).expect("tests/all fetches axe-core");
        let outcome = self.browser.run_and_wait(&format!(
            "const done = arguments[0];\n{script};\n\
             axe.run(document, {{runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}})\
             .then((found) => done({{passed: found.passes.length, broken: found.violations.map((rule) => \
             rule.id + ': ' + rule.nodes.map((node) => node.html.slice(0, 200) + ' ' + node.failureSummary).join(' | '))}}), \
             (why) => done(String(why)))"
        ));
        assert_eq!(
            outcome.get("broken"),
            Some(&Value::Array(Vec::new())),
            "{outcome:#}"
        );
        assert!(
            outcome
                .get("passed")
                .and_then(Value::as_u64)
                .is_some_and(|rules| rules > 10),
            "{outcome}"
        );
    }

    fn keeps(&self, name: &str) {
        if let Some(folder) = env::var_os("FOBWATCH_PICTURES") {
            self.browser.keep(&Path::new(&folder).join(format!("{name}.png")));
        }
    }
}

/// Where `tests/all` lays it.
fn axe() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/tools");
    folder.join("package/axe.min.js")
}
