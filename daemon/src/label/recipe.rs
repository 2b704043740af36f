//! A recipe in words, scaled, and as a page.

use fobwatch_core::{
    quantity::{LiquidVolume, NotAQuantity},
    recipe::{Recipe, SugarKind},
};
use maud::{DOCTYPE, html};

use crate::page::{Top, head, top};

/// Ingredients, steps, and what it comes to, for the volume that it was written for or another one.
pub(crate) fn recipe_lines(
    name: &str,
    written: &Recipe,
    to: Option<LiquidVolume>,
) -> Result<Vec<String>, NotAQuantity> {
    let scaled = match to {
        Some(volume) => written.scaled_to(volume)?,
        None => written.clone(),
    };
    let (drink, sugars) = (scaled.drink()?, scaled.sugars()?);
    let water = drink.less(scaled.makes);
    let mut said = vec![if water.ml() > 0.0 {
        format!(
            "{name}: {:.2} L of drink, from {:.2} L of syrup and {:.2} L of water.",
            drink.litres(),
            scaled.makes.litres(),
            water.litres()
        )
    } else {
        format!("{name}: {:.2} L of drink, made straight.", drink.litres())
    }];
    for one in &scaled.ingredients {
        said.push(format!(
            "  {} g {}",
            super::words::figure(one.mass.grams()),
            one.name
        ));
    }
    if to.is_some() && !written.steps.is_empty() {
        let litres = written.drink()?.litres();
        said.push(format!(
            "The steps are as they were written, for {litres:.2} L of drink:"
        ));
    }
    let steps = written.steps.iter().zip(1..);
    said.extend(steps.map(|(step, number)| format!("{number}. {step}")));
    let allergens = written.allergens();
    if !allergens.is_empty() {
        said.push(format!(
            "Allergens: {}, and those of the culture.",
            allergens.join(", ")
        ));
    }
    said.push(format!(
        "In a litre: {:.0} g of sucrose, {:.0} g of glucose and fructose, {:.0} g that the usual yeast leaves; what ferments is known \
         to about {:.0} g. Gravity before anything ferments: {:.3} SG.",
        sugars.sucrose.grams_per_litre(),
        sugars.hexose.grams_per_litre(),
        sugars.unfermentable.grams_per_litre(),
        (2.0 * sugars.doubt.grams_per_litre()).max(1.0),
        sugars.gravity()?.specific()
    ));
    let mut kinds: Vec<SugarKind> = scaled.ingredients.iter().filter_map(|one| one.kind).collect();
    kinds.sort();
    kinds.dedup();
    if !kinds.is_empty() {
        said.push("Who says so:".to_owned());
    }
    said.extend(kinds.iter().map(|kind| format!("  {kind}: {}", kind.source())));
    said.push(
        "Bottles can burst: `fobwatch plan --batch FILE` tells the pressure. Fizz is no preservation: measure the pH before sealing \
         (4.2 or less), and use no vegetable, nut, milk or garlic base without a tested recipe."
            .to_owned(),
    );
    Ok(said)
}

/// "10L", "2.5 l", "750ml".
pub(crate) fn volume(text: &str) -> Result<LiquidVolume, String> {
    let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
    let allowed = || format!("`{shown}` is no volume; allowed: above 0 to 10000 L, as 10L or 750ml");
    let lower = text.trim().to_lowercase();
    let (number, millilitres) = match (lower.strip_suffix("ml"), lower.strip_suffix('l')) {
        (Some(number), _) => (number, 1.0),
        (None, Some(number)) => (number, 1_000.0),
        (None, None) => return Err(allowed()),
    };
    let number: f64 = number.trim().parse().map_err(|_| allowed())?;
    let volume = LiquidVolume::from_ml(number * millilitres).map_err(|_| allowed())?;
    if volume.ml() > 0.0 {
        Ok(volume)
    } else {
        Err(allowed())
    }
}

/// The page at `/batches/NAME/recipe`. `said`: its lines, none where the batch has no recipe; `asked`: what was typed as the volume; `wrong`: why it cannot be.
pub(crate) fn recipe_page(
    name: &str,
    slug: &str,
    said: &[String],
    asked: &str,
    wrong: Option<&str>,
    demo: bool,
) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("Recipe of {name}"), &html! { link rel="stylesheet" href="/label.css"; }))
            body {
                (top(Top::Other, demo))
                main id="main" {
                    p class="unprinted" { a class="more" href={ "/batches/" (slug) "/label" } { "Its label" } }
                    h1 { "Recipe of " (name) }
                    @if let Some(wrong) = wrong {
                        p class="press" role="alert" { strong { "Not scaled. " } (wrong) "." }
                    }
                    @if said.is_empty() {
                        p { "Nobody wrote down what it is made of: its batch file has no " code { "[recipe]" } "." }
                        p { "Ingredients by weight can be added there, and its label names them then: " a href={ "/batches/" (slug) "/correct" } { "correct its entries" } ". An example: " code { "fobwatch batch example recipe" } }
                    } @else {
                        form class="tell unprinted" method="get" action={ "/batches/" (slug) "/recipe" } {
                            fieldset {
                                legend { "For another volume" }
                                label { "How much drink, as 10L or 750ml" input name="to" value=(asked) maxlength="20"; }
                                button { "Scale it" }
                            }
                        }
                        section class="lot" { @for line in said { p { (line) } } }
                    }
                }
            }
        }
    };
    markup.into_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_recipe_there_is_nothing_to_scale() {
        let page = |said: &[String]| recipe_page("plum 1", "plum-1", said, "", None, false);
        assert!(!page(&[]).contains("Scale it") && page(&[]).contains("/batches/plum-1/correct"));
        assert!(page(&["4 L of drink".to_owned()]).contains("Scale it"));
    }

    #[test]
    fn volumes_are_read_with_their_unit() {
        assert!((volume("10L").unwrap().litres() - 10.0).abs() < 1e-9);
        assert!((volume("750 ml").unwrap().litres() - 0.75).abs() < 1e-9);
        for bad in ["10", "0L", "-1L", "nanL", "1e9L", "two l"] {
            assert!(volume(bad).unwrap_err().contains("as 10L or 750ml"), "{bad}");
        }
    }
}
