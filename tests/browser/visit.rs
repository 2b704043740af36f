//! Somebody before the page, and what is done there.

use std::{env, fs, path::Path};

use fobwatch_tests::{Browser, Daemon, TAB, Window, wait_for};
use serde_json::Value;

use crate::kitchen::PATIENCE;

/// A browser on a daemon's page.
pub(crate) struct Visit<'a> {
    pub(crate) browser: Browser,
    daemon: &'a Daemon,
    script: Script,
}

/// Whether the browser runs the scripts of pages.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Script {
    On,
    Off,
}

impl<'a> Visit<'a> {
    pub(crate) fn of(daemon: &'a Daemon, window: Window) -> Self {
        Self {
            browser: Browser::open(window),
            daemon,
            script: Script::On,
        }
    }

    pub(crate) fn without_script(daemon: &'a Daemon, window: Window) -> Self {
        let mut visit = Self::of(daemon, window);
        visit.script = Script::Off;
        visit.browser.without_script();
        visit
    }

    pub(crate) fn goes_to(&self, path: &str) {
        self.browser
            .go(&format!("http://127.0.0.1:{}{path}", self.daemon.port()));
    }

    /// What an element says. The page renews itself: what was found may be gone a moment later, so it is looked for again.
    pub(crate) fn reads(&self, path: &str) -> String {
        wait_for(path, PATIENCE, || self.browser.text(&self.browser.find(path)?))
    }

    pub(crate) fn sees(&self, path: &str) -> bool {
        self.browser.find(path).is_some()
    }

    pub(crate) fn clicks(&self, path: &str) {
        wait_for(path, PATIENCE, || self.browser.click(&self.browser.find(path)?));
    }

    pub(crate) fn writes(&self, path: &str, text: &str) {
        wait_for(path, PATIENCE, || {
            self.browser.write(&self.browser.find(path)?, text)
        });
    }

    /// Waits for an element that says `words`.
    pub(crate) fn waits_for(&self, path: &str, words: &str) -> String {
        wait_for(&format!("{words} at {path}"), PATIENCE, || {
            let found = self.browser.find(path)?;
            self.browser.text(&found).filter(|text| text.contains(words))
        })
    }

    /// The agenda: a sentence, the picture of every batch, and nothing that runs off to the side.
    pub(crate) fn reads_the_agenda(&self) -> String {
        self.goes_to("/");
        let headline = self.reads("//h1");
        assert!(headline.ends_with('.') && headline.len() > 10, "{headline}");
        assert!(self.sees("//section[@class='batch']//*[local-name()='svg']"));
        self.is_as_wide_as_the_window();
        headline
    }

    /// Nothing runs off to the side, and no word of usual length is broken, be it folded or not. A phone's window grows with what is too
    /// wide, so what counts is the width that the page was laid out for.
    pub(crate) fn is_as_wide_as_the_window(&self) {
        let seen = self.browser.run(
            "const folded = [...document.querySelectorAll('details:not([open])')];\n\
             for (const details of folded) details.open = true;\n\
             const over = document.scrollingElement.scrollWidth - document.documentElement.clientWidth;\n\
             const broken = [];\n\
             const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);\n\
             while (walk.nextNode()) {\n\
               const text = walk.currentNode;\n\
               if (text.parentElement.closest('svg, pre, code, script, .skip')) continue;\n\
               for (const word of text.data.matchAll(/[\\p{L}\\p{N}]+/gu)) {\n\
                 if (word[0].length > 16) continue;\n\
                 const range = document.createRange();\n\
                 range.setStart(text, word.index);\n\
                 range.setEnd(text, word.index + word[0].length);\n\
                 const tops = [...range.getClientRects()].map((box) => Math.round(box.top));\n\
                 if (new Set(tops).size > 1) broken.push(`${word[0]} in: ${text.data.slice(0, 60)}`);\n\
               }\n\
             }\n\
             for (const details of folded) details.open = false;\n\
             return [over, broken]",
        );
        let over = seen.get(0).and_then(Value::as_i64);
        assert!(
            over.is_some_and(|over| over <= 0),
            "{} runs off to the side by {over:?} pixels",
            self.browser.address()
        );
        let broken = seen.get(1);
        assert_eq!(
            broken,
            Some(&Value::Array(Vec::new())),
            "{}",
            self.browser.address()
        );
    }

    /// Moves the focus with the tabulator until it stands on such an element.
    pub(crate) fn tabs_to(&self, such: &str) {
        for _ in 0..120 {
            self.browser.press(TAB);
            let here = self.browser.run(&format!(
                "return document.evaluate(\"boolean(self::*[{such}])\", document.activeElement, null, 3).booleanValue"
            ));
            if here == Value::Bool(true) {
                let ring = self.browser.run(
                    "const style = getComputedStyle(document.activeElement); \
                     return style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2",
                );
                assert_eq!(ring, Value::Bool(true), "the focus on {such} is not seen");
                return;
            }
        }
        panic!("the tabulator does not lead to {such}");
    }

    /// No rule of WCAG 2.2 A and AA that axe-core can judge is broken, nor one of its own of good practice.
    /// It needs script; without it the very same page is shown.
    pub(crate) fn is_accessible(&self) {
        if self.script == Script::Off {
            return;
        }
        let axe = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/tools/package/axe.min.js");
        let script = fs::read_to_string(axe).expect("tests/all fetches axe-core");
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
        let passed = outcome.get("passed").and_then(Value::as_u64);
        assert!(passed.is_some_and(|rules| rules > 10), "{outcome}");
    }

    /// Everything that takes a finger is at least 48 pixels high, but for links within sentences.
    pub(crate) fn is_large_enough_for_a_thumb(&self) {
        let small = self.browser.run(
            "return [...document.querySelectorAll('button, summary, input:not([type=hidden]), select, nav a, a.more, a.row')]\
             .map((element) => element.closest('.words label, label.check') ?? element)\
             .filter((element) => element.getClientRects().length > 0 && element.getBoundingClientRect().height < 47.5)\
             .map((element) => element.outerHTML.slice(0, 120))",
        );
        assert_eq!(small, Value::Array(Vec::new()));
    }

    /// Keeps a picture where `FOBWATCH_PICTURES` says.
    pub(crate) fn keeps(&self, name: &str) {
        if let Some(folder) = env::var_os("FOBWATCH_PICTURES") {
            self.browser.keep(&Path::new(&folder).join(format!("{name}.png")));
        }
    }
}

impl Drop for Visit<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let seen = self
                .browser
                .find("//body")
                .and_then(|body| self.browser.text(&body));
            eprintln!(
                "What was seen at {}:\n{}",
                self.browser.address(),
                seen.unwrap_or_default()
            );
        }
    }
}
