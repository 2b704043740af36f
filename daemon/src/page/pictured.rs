//! A picture drawn twice, for wide screens and for phones, as a page holds it.

use maud::{Markup, html};

/// For which screens something is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Screen {
    /// Desks, paper and files.
    Wide,
    /// Phones.
    Narrow,
}

/// The browser takes the one that fits; `alt`: what it shows, in words.
pub(super) fn pictured(draw: impl Fn(Screen) -> String, alt: &str) -> Markup {
    html! {
        picture {
            source media="(max-width: 760px)" srcset=(as_image(&draw(Screen::Narrow)));
            img class="drawn" alt=(alt) src=(as_image(&draw(Screen::Wide)));
        }
    }
}

/// A picture as the address of an image: the page's policy lets no style stand in the page itself.
fn as_image(svg: &str) -> String {
    let mut out = String::from("data:image/svg+xml,");
    for byte in svg.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~/:=,;()".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phone_gets_its_own_picture_and_an_address_holds_no_blank() {
        let drawn = pictured(
            |screen| format!("<svg id='{screen:?} \u{2082}'/>"),
            "Two \"jars\"",
        )
        .into_string();
        let (narrow, wide) = drawn.split_once("<img").unwrap();
        assert!(
            narrow.contains("max-width") && narrow.contains("%27Narrow%20%E2%82%82%27"),
            "{drawn}"
        );
        assert!(
            wide.contains("src=\"data:image/svg+xml,%3Csvg%20id=%27Wide%20"),
            "{drawn}"
        );
        assert!(wide.contains("Two &quot;jars&quot;"));
    }
}
