//! How the document is written: nothing from outside in it, nothing inline, readable by all.

use fobwatch_core::{
    alert::AlertName,
    batch::{BatchName, CultureName},
    forecast::Quantiles,
};

use super::{
    super::{
        self as page, agenda, chart,
        fixture::{Made, alert, context, hibiscus},
        style,
    },
    all,
};

/// The only ones there are.
const OWN_SCRIPTS: &str = "<script src=\"/page.js\" defer></script><script src=\"/chart.js\" defer></script>";

#[test]
fn what_comes_from_outside_is_escaped() {
    let evil = "<script>alert('x')</script>&\"";
    let mut shown = hibiscus();
    shown.batch.name = BatchName::new(evil).unwrap();
    shown.batch.culture = Some(CultureName::new(evil).unwrap());
    shown.batch.bottle.limit_source = Some(evil.to_owned());
    shown.view.alerts = vec![alert(AlertName::LimitNear, 1, evil)];
    shown.view.sensors[0].source = fobwatch_core::reading::Source::new("<b onclick=x>").unwrap();
    shown.failed = Some(evil.to_owned());
    let page = agenda(&[shown.clone()], &context()).replace(OWN_SCRIPTS, "");
    let picture = chart(&shown, &context()).unwrap();
    let form = page::tell(&shown, &context(), Some(("opened", evil)));
    for text in [page, picture, form] {
        assert!(!text.contains("<script") && !text.contains("<b onclick"));
        assert!(text.contains("&lt;script&gt;"));
    }
}

#[test]
fn a_strict_policy_holds() {
    let page = agenda(&all(), &context());
    assert_eq!(page.matches(OWN_SCRIPTS).count(), 1);
    let page = page.replace(OWN_SCRIPTS, "");
    for forbidden in ["style=", "<style", "<script", "onclick", "http://", "https://"] {
        let own = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        assert!(!own.contains(forbidden), "{forbidden}");
    }
    assert!(!style().contains("url(") && !style().contains("@import"));
}

#[test]
fn names_in_commands_are_one_word_of_a_shell() {
    let mut shown = hibiscus();
    shown.batch.name = BatchName::new("it's; rm -rf $HOME").unwrap();
    let page = agenda(&[shown], &context());
    assert!(page.contains("fobwatch note 'it'\\''s; rm -rf $HOME' opened --bottles 3"));
}

#[test]
fn pictures_hold_no_nan_whatever_comes() {
    let flat = |volumes: f64| Made {
        final_volumes: volumes,
        ..Made::new("plum 1")
    };
    let mut one_point = hibiscus();
    one_point.view.outlook.as_mut().unwrap().curve.truncate(1);
    let mut broken_rate = hibiscus();
    broken_rate.view.outlook.as_mut().unwrap().rate = Quantiles {
        p05: f64::NAN,
        p50: f64::NAN,
        p95: f64::INFINITY,
    };
    let young = Made {
        age_h: 0.0,
        ..Made::new("plum 1")
    };
    let batches = vec![
        flat(0.0).shown(),
        flat(90.0).shown(),
        one_point,
        broken_rate,
        young.shown(),
    ];
    let page = agenda(&batches, &context());
    for word in ["NaN", "inf\"", "inf,", ">inf"] {
        assert!(!page.contains(word), "{word}");
    }
    for svg in page.split("<svg").skip(1) {
        assert!(svg.contains("height="));
    }
}

#[test]
fn ids_are_unique_even_when_slugs_are_not() {
    let page = agenda(
        &[Made::new("plum 1").shown(), Made::new("plum-1").shown()],
        &context(),
    );
    let mut ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|rest| &rest[..rest.find('"').unwrap()])
        .collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all);
}

#[test]
fn the_document_has_its_landmarks_and_headings_in_order() {
    let page = agenda(&all(), &context());
    for part in [
        "<html lang=\"en\">",
        "<header>",
        "<nav aria-label",
        "<main id=\"main\">",
        "<footer>",
    ] {
        assert_eq!(page.matches(part).count(), 1, "{part}");
    }
    assert_eq!(page.matches("<h1").count(), 1);
    let mut level = 1;
    for rest in page.split("<h").skip(1) {
        let next = match rest.chars().next() {
            Some('1') => 1,
            Some('2') => 2,
            Some('3') => 3,
            _ => continue,
        };
        assert!(
            next <= level + 1,
            "a heading of level {next} after one of {level}"
        );
        level = next;
    }
    assert_eq!(
        page.matches("role=\"img\"").count(),
        page.matches("<desc").count()
    );
}

/// Contrast after WCAG 2.2, "relative luminance" and success criterion 1.4.3 (4.5:1 for text).
#[test]
fn text_has_contrast_enough_in_both_themes() {
    let luminance = |hex: &str| {
        let part = |from: usize| {
            let value = f64::from(u8::from_str_radix(&hex[from..from + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 {
                value / 12.92
            } else {
                ((value + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(0) + 0.7152 * part(2) + 0.0722 * part(4)
    };
    let themes: Vec<&str> = style().split(":root {").skip(1).collect();
    assert_eq!(themes.len(), 2);
    for theme in themes {
        let colour = |name: &str| {
            let from = theme.find(&format!("--{name}: #")).unwrap() + name.len() + 5;
            luminance(&theme[from..from + 6])
        };
        for ground in ["paper", "tint", "danger-tint"] {
            for text in ["ink", "soft", "wish", "danger"] {
                let (a, b) = (colour(text), colour(ground));
                let contrast = (a.max(b) + 0.05) / (a.min(b) + 0.05);
                assert!(contrast >= 4.5, "{text} on {ground}: {contrast:.2}");
            }
        }
    }
}
