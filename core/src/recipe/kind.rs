//! What each kind of sugar holds, and who says so.

use std::{fmt, str::FromStr};

use serde::Serialize;

/// Grams in 100 g.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Composition {
    /// Sucrose and maltose: two hexoses each.
    pub sucrose: f64,
    /// Glucose and fructose.
    pub hexose: f64,
    /// What the usual yeast leaves; some cultures do ferment lactose and sugar alcohols.
    pub unfermentable: f64,
    /// All that is dissolved: its share in the gravity.
    pub solids: f64,
    /// Relative spread of the fermentable part from one purchase to the next.
    pub doubt: f64,
}

impl Composition {
    pub(super) const NOTHING: Self = Self {
        sucrose: 0.0,
        hexose: 0.0,
        unfermentable: 0.0,
        solids: 0.0,
        doubt: 0.0,
    };
}

const fn holds(sucrose: f64, hexose: f64, unfermentable: f64, solids: f64, doubt: f64) -> Composition {
    Composition {
        sucrose,
        hexose,
        unfermentable,
        solids,
        doubt,
    }
}

/// Kinds of sugar that a recipe knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SugarKind {
    /// White sugar of cane or beet.
    TableSugar,
    /// Soft brown sugar.
    BrownSugar,
    /// Glucose with its water of crystallisation.
    Dextrose,
    /// Fructose.
    Fructose,
    /// Honey.
    Honey,
    /// Maple syrup.
    MapleSyrup,
    /// Agave syrup.
    AgaveSyrup,
    /// Molasses.
    Molasses,
    /// Table sugar in as much water by weight.
    SimpleSyrup,
    /// Twice as much table sugar as water by weight.
    RichSyrup,
    /// Glucose syrup of starch.
    GlucoseSyrup,
    /// Any other syrup, by its label.
    Syrup,
    /// Apple juice.
    AppleJuice,
    /// Grape juice.
    GrapeJuice,
    /// Orange juice.
    OrangeJuice,
    /// Juice of lemons or limes.
    LemonJuice,
    /// Any other juice or fruit, by its label.
    Juice,
    /// Lactose.
    Lactose,
    /// Maltodextrin.
    Maltodextrin,
    /// Erythritol.
    Erythritol,
    /// Xylitol.
    Xylitol,
    /// Sorbitol.
    Sorbitol,
    /// Stevia, sucralose and the like, pure: a few milligrams sweeten a glass.
    IntenseSweetener,
}

/// Words of a kitchen, the special ones first.
const WORDS: [(&str, SugarKind); 25] = [
    ("milchzucker", SugarKind::Lactose),
    ("lactose", SugarKind::Lactose),
    ("traubenzucker", SugarKind::Dextrose),
    ("dextrose", SugarKind::Dextrose),
    ("glucose", SugarKind::Dextrose),
    ("fruchtzucker", SugarKind::Fructose),
    ("fructose", SugarKind::Fructose),
    ("maltodextrin", SugarKind::Maltodextrin),
    ("erythritol", SugarKind::Erythritol),
    ("xylitol", SugarKind::Xylitol),
    ("sorbitol", SugarKind::Sorbitol),
    ("molasses", SugarKind::Molasses),
    ("treacle", SugarKind::Molasses),
    ("syrup", SugarKind::Syrup),
    ("sirup", SugarKind::Syrup),
    ("cordial", SugarKind::Syrup),
    ("juice", SugarKind::Juice),
    ("saft", SugarKind::Juice),
    ("nectar", SugarKind::Juice),
    ("honey", SugarKind::Honey),
    ("honig", SugarKind::Honey),
    ("sugar", SugarKind::TableSugar),
    ("zucker", SugarKind::TableSugar),
    ("jaggery", SugarKind::BrownSugar),
    ("sucrose", SugarKind::TableSugar),
];

/// Beside one of these words a name says that there is none.
const WITHOUT: [&str; 4] = ["free", "without", "unsweetened", "no"];

/// A word that is no kind of sugar.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{given}` is no kind of sugar; allowed: {}", SugarKind::allowed())]
pub struct UnknownSugar {
    /// What stood there, cut to 40 characters.
    pub given: String,
}

impl SugarKind {
    /// All of them.
    pub const ALL: [Self; 23] = [
        Self::TableSugar,
        Self::BrownSugar,
        Self::Dextrose,
        Self::Fructose,
        Self::Honey,
        Self::MapleSyrup,
        Self::AgaveSyrup,
        Self::Molasses,
        Self::SimpleSyrup,
        Self::RichSyrup,
        Self::GlucoseSyrup,
        Self::Syrup,
        Self::AppleJuice,
        Self::GrapeJuice,
        Self::OrangeJuice,
        Self::LemonJuice,
        Self::Juice,
        Self::Lactose,
        Self::Maltodextrin,
        Self::Erythritol,
        Self::Xylitol,
        Self::Sorbitol,
        Self::IntenseSweetener,
    ];

    /// Its name in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::TableSugar => "table_sugar",
            Self::BrownSugar => "brown_sugar",
            Self::Dextrose => "dextrose",
            Self::Fructose => "fructose",
            Self::Honey => "honey",
            Self::MapleSyrup => "maple_syrup",
            Self::AgaveSyrup => "agave_syrup",
            Self::Molasses => "molasses",
            Self::SimpleSyrup => "simple_syrup",
            Self::RichSyrup => "rich_syrup",
            Self::GlucoseSyrup => "glucose_syrup",
            Self::Syrup => "syrup",
            Self::AppleJuice => "apple_juice",
            Self::GrapeJuice => "grape_juice",
            Self::OrangeJuice => "orange_juice",
            Self::LemonJuice => "lemon_juice",
            Self::Juice => "juice",
            Self::Lactose => "lactose",
            Self::Maltodextrin => "maltodextrin",
            Self::Erythritol => "erythritol",
            Self::Xylitol => "xylitol",
            Self::Sorbitol => "sorbitol",
            Self::IntenseSweetener => "intense_sweetener",
        }
    }

    /// What an ingredient's name says it is, where nobody said its kind. Rather too often than too rarely: sugar that does not count is
    /// pressure that nobody expects.
    #[must_use]
    pub fn by_name(name: &str) -> Option<Self> {
        let name = name.to_lowercase();
        let words: Vec<&str> = name
            .split(|c: char| !c.is_alphanumeric())
            .filter(|word| !word.is_empty())
            .collect();
        if words.iter().any(|word| WITHOUT.contains(word)) {
            return None;
        }
        let plain = format!(" {} ", words.join(" "));
        if plain.contains(" milk sugar ") {
            return Some(Self::Lactose);
        }
        let of_two = Self::ALL
            .into_iter()
            .map(|kind| (kind, kind.name().replace('_', " ")))
            .filter(|(_, said)| said.contains(' '))
            .find(|(_, said)| plain.contains(said.as_str()));
        let said = |key: &str| {
            words.iter().any(|word| {
                let one = word.strip_suffix('s').unwrap_or(word);
                // Compounds too: Rohrzucker, Apfelsaft.
                [*word, one].into_iter().any(|word| {
                    word == key
                        || key.len() > 4 && word.ends_with(key)
                        || key == "saft" && word.ends_with(key)
                })
            })
        };
        let by_word = || WORDS.into_iter().find(|(key, _)| said(key)).map(|(_, kind)| kind);
        of_two.map(|(kind, _)| kind).or_else(by_word)
    }

    pub(super) fn allowed() -> String {
        Self::ALL.map(Self::name).join(", ")
    }

    /// It varies so much that its own label has to say its sugars.
    #[must_use]
    pub fn needs_a_label(self) -> bool {
        matches!(self, Self::GlucoseSyrup | Self::Syrup | Self::Juice)
    }

    /// Grams in 100 g; `label_percent`: sugars by its own label, which go before what is usual.
    #[must_use]
    pub fn composition(self, label_percent: Option<f64>) -> Composition {
        let (usual, _) = self.usual();
        let Some(label) = label_percent else {
            return usual;
        };
        match self {
            // What is dissolved beside the sugars of the label are longer chains of glucose.
            Self::GlucoseSyrup => holds(
                0.0,
                label,
                (usual.solids - label).max(0.0),
                usual.solids.max(label),
                0.05,
            ),
            Self::Syrup => holds(label, 0.0, 0.0, label, 0.05),
            // Acids and pectins are about a tenth of what is dissolved in a juice.
            Self::Juice => holds(0.0, label, 0.0, label * 1.1, 0.1),
            Self::IntenseSweetener => usual,
            _ if usual.sucrose + usual.hexose > 0.0 => {
                let factor = label / (usual.sucrose + usual.hexose);
                holds(
                    usual.sucrose * factor,
                    usual.hexose * factor,
                    usual.unfermentable,
                    (usual.solids + label - usual.sucrose - usual.hexose).clamp(label, 100.0),
                    (0.5 * usual.doubt).max(0.005),
                )
            }
            _ => holds(0.0, 0.0, label, label, usual.doubt),
        }
    }

    /// Who says what it holds.
    #[must_use]
    pub fn source(self) -> &'static str {
        self.usual().1
    }

    /// What is usual, and who says so. Disaccharides of honey count as fermentable: some are not, so the figure is rather high.
    fn usual(self) -> (Composition, &'static str) {
        match self {
            Self::TableSugar => (
                holds(99.8, 0.0, 0.0, 99.9, 0.002),
                "Codex CXS 212-1999: white sugar, polarisation at least 99.7 degZ",
            ),
            Self::BrownSugar => (
                holds(94.6, 2.5, 0.0, 98.5, 0.03),
                "USDA composition data, 97 to 98 g of sugars (PMC3471321, table 1), the split from memory; Codex CXS 212-1999 asks \
                 for at least 88 g of sucrose and invert sugar in soft brown sugar",
            ),
            Self::Dextrose => (
                holds(0.0, 90.7, 0.0, 90.9, 0.005),
                "Codex CXS 212-1999: dextrose monohydrate, at least 90 g of solids, 99.5 % of them glucose; its water by the formula \
                 is 9.1 g",
            ),
            Self::Fructose => (
                holds(0.0, 98.5, 0.0, 99.0, 0.01),
                "Codex CXS 212-1999: at least 98.0 g of fructose, at most 0.5 g of glucose",
            ),
            Self::Honey => (
                holds(8.6, 69.5, 1.5, 82.8, 0.05),
                "White et al. 1962, USDA Technical Bulletin 1261, mean of 490 honeys: fructose 38.2, glucose 31.3, sucrose 1.3, \
                 reducing disaccharides 7.3, higher sugars 1.5, water 17.2",
            ),
            Self::MapleSyrup => (
                holds(58.3, 2.1, 0.0, 67.0, 0.04),
                "USDA composition data, 60 g of sugars (PMC3471321, table 1), the split from memory; solids of at least 66 Brix (USDA \
                 grades)",
            ),
            Self::AgaveSyrup => (
                holds(0.0, 76.0, 0.0, 77.0, 0.06),
                "PMC3471321, table 1: 4.8 g of sugars in 6.3 g, nearly all fructose; solids from memory",
            ),
            Self::Molasses => (
                holds(29.4, 25.6, 0.0, 78.0, 0.12),
                "PMC3471321, table 1: 3.7 g of sugars in 6.7 g; the split and solids from memory",
            ),
            Self::SimpleSyrup => (
                holds(49.9, 0.0, 0.0, 50.0, 0.02),
                "by its making: table sugar and water, 1 to 1 by weight",
            ),
            Self::RichSyrup => (
                holds(66.5, 0.0, 0.0, 66.6, 0.02),
                "by its making: table sugar and water, 2 to 1 by weight",
            ),
            Self::GlucoseSyrup => (
                holds(0.0, 40.0, 40.0, 80.0, 0.3),
                "its own label; solids of 80 g from memory (Codex CXS 212-1999 asks for at least 70 g)",
            ),
            Self::Syrup => (
                holds(60.0, 0.0, 0.0, 60.0, 0.3),
                "its own label, taken as sucrose",
            ),
            Self::AppleJuice => (
                holds(1.5, 8.2, 0.4, 11.5, 0.15),
                "USDA composition data, 9.6 g of sugars (PMC3471321, table 1); split and sorbitol from Fuleki et al. 1994, J. Agric. \
                 Food Chem. 42, 1266, where sugars are 8.3 to 13.2 g and solids 9.7 to 15.0 g in 100 mL",
            ),
            Self::GrapeJuice => (
                holds(0.0, 14.5, 0.0, 16.0, 0.15),
                "from memory: USDA composition data, and Codex CXS 247-2005, at least 16 Brix",
            ),
            Self::OrangeJuice => (
                holds(4.2, 4.4, 0.0, 11.5, 0.15),
                "from memory: USDA composition data, and Codex CXS 247-2005, at least 11.2 to 11.8 Brix",
            ),
            Self::LemonJuice => (
                holds(0.4, 2.0, 0.0, 8.0, 0.3),
                "from memory: USDA composition data, 2.5 g of sugars and some 6 g of acid, which does not ferment",
            ),
            Self::Juice => (
                holds(0.0, 10.0, 0.0, 11.0, 0.3),
                "its own label, taken as glucose and fructose",
            ),
            Self::Lactose => (
                holds(0.0, 0.0, 97.0, 97.0, 0.03),
                "Codex CXS 212-1999: at least 99 g of lactose in dry matter, with or without 5 g of water; S. cerevisiae has no means \
                 to ferment it, some other yeasts and lactic acid bacteria do (secondary literature)",
            ),
            Self::Maltodextrin => (
                holds(0.0, 0.0, 95.0, 95.0, 0.03),
                "from memory; not fermented by S. cerevisiae (secondary literature)",
            ),
            Self::Erythritol => (
                holds(0.0, 0.0, 100.0, 100.0, 0.01),
                "not fermented by S. cerevisiae (secondary literature)",
            ),
            Self::Xylitol => (
                holds(0.0, 0.0, 99.0, 99.0, 0.01),
                "from memory: not fermented by S. cerevisiae; some bacteria of mixed cultures may use it",
            ),
            Self::Sorbitol => (
                holds(0.0, 0.0, 99.0, 99.0, 0.01),
                "from memory: not fermented by S. cerevisiae; some lactic acid bacteria use it",
            ),
            Self::IntenseSweetener => (
                Composition::NOTHING,
                "too little to count; a powder stretched with dextrose or maltodextrin is of those kinds",
            ),
        }
    }
}

impl fmt::Display for SugarKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for SugarKind {
    type Err = UnknownSugar;

    fn from_str(text: &str) -> Result<Self, UnknownSugar> {
        // As people write it, too: "Table sugar".
        let said = text.trim().to_lowercase().replace([' ', '-'], "_");
        let kind = Self::ALL.into_iter().find(|kind| kind.name() == said);
        kind.ok_or_else(|| UnknownSugar {
            given: crate::plain::line(text, 40),
        })
    }
}
