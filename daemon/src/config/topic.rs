//! A topic that names what its messages are: `house/{source}/{quantity}`.

use fobwatch_core::{
    document::Section,
    plain,
    quantity::Unit,
    reading::{Quantity, Source},
};
use rumqttc::mqttbytes::valid_filter;

use super::channel::{self, QUANTITY_ALLOWED};
use crate::decode::{Calibrations, Wrong, mapped::Channel};

const PATTERN: &str = "a topic filter of MQTT, as \"house/+/pressure\"; {source} and {quantity} may each stand once for a whole level";

/// A filter, and which of its levels name what.
#[derive(Clone, Debug, PartialEq)]
pub struct Pattern {
    /// The filter.
    pub filter: String,
    /// The level, from 0, that names the source.
    pub source: Option<usize>,
    /// The level, from 0, that names the quantity.
    pub quantity: Option<usize>,
}

/// What a number on a topic stands for.
#[derive(Clone, Debug, PartialEq)]
pub struct Numbers {
    /// Which sensor; `None`: as the topic says.
    pub source: Option<Source>,
    /// What it measures.
    pub what: What,
}

/// What a number measures.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// Always this.
    Fixed(Quantity, Unit),
    /// As the topic says, by the names of these; a name that is none of them is told and left out.
    Named(Vec<(String, Quantity, Unit)>),
}

pub(super) fn read_filter(text: &str) -> Option<String> {
    let whole = (1..=1_000).contains(&text.len()) && !text.chars().any(char::is_control);
    (whole && valid_filter(text)).then(|| text.to_owned())
}

/// Reads `topic` of a table whose topics may name things.
pub(super) fn pattern(section: &mut Section<'_, '_>, may_name_quantity: bool) -> Option<Pattern> {
    let allowed = if may_name_quantity {
        PATTERN
    } else {
        "a topic filter of MQTT, as \"cellar/weather\"; {source} may stand once for a whole level"
    };
    section.require("topic", allowed);
    section.text("topic", allowed, |text| {
        let place = |name: &str| {
            let mut levels = text.split('/').enumerate().filter(|(_, level)| *level == name);
            let first = levels.next().map(|(index, _)| index);
            levels.next().is_none().then_some(first)
        };
        let (source, quantity) = (place("{source}")?, place("{quantity}")?);
        if quantity.is_some() && !may_name_quantity {
            return None;
        }
        let filter: Vec<_> = text
            .split('/')
            .map(|level| match level {
                "{source}" | "{quantity}" => "+",
                level => level,
            })
            .collect();
        let filter = read_filter(&filter.join("/")).filter(|filter| !filter.contains(['{', '}']))?;
        Some(Pattern {
            filter,
            source,
            quantity,
        })
    })
}

/// Reads what the numbers of `[[mqtt.number]]` stand for.
pub(super) fn numbers(
    section: &mut Section<'_, '_>,
    pattern: Option<&Pattern>,
    calibrations: &Calibrations,
) -> Option<Numbers> {
    let names_source = pattern.is_some_and(|pattern| pattern.source.is_some());
    let names_quantity = pattern.is_some_and(|pattern| pattern.quantity.is_some());
    if !names_quantity {
        section.refuse_entry("quantities", "only with {quantity} in `topic`");
        let (source, quantity, unit) = channel::read_part(section, names_source, calibrations)?;
        let what = What::Fixed(quantity, unit);
        return Some(Numbers { source, what });
    }
    let source = channel::source(section, names_source);
    for key in ["quantity", "unit"] {
        section.refuse_entry(
            key,
            "not with {quantity} in `topic`: list [[mqtt.number.quantities]] instead",
        );
    }
    let mut names: Vec<(String, Quantity, Unit)> = Vec::new();
    let had = section.has("quantities");
    section.sections("quantities", |section, _| {
        const NAME: &str = "the level of the topic, without a slash, as \"temp\"; each once";
        section.require("name", NAME);
        let name = section.text("name", NAME, |text| {
            let plain = (1..=200).contains(&text.len()) && !text.contains('/');
            (plain && names.iter().all(|(other, ..)| other != text)).then(|| text.to_owned())
        });
        let (quantity, unit) =
            channel::quantity_and_unit(section, source.as_ref().and_then(Option::as_ref), calibrations)?;
        names.push((name?, quantity, unit));
        Some(())
    });
    if !had {
        names.extend(
            Quantity::ALL.map(|quantity| (quantity.name().to_owned(), quantity, usual_unit(quantity))),
        );
    }
    Some(Numbers {
        source: source?,
        what: What::Named(names),
    })
}

/// The unit of a number whose topic names one of our quantities and nobody says more.
fn usual_unit(quantity: Quantity) -> Unit {
    match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => Unit::Bar,
        Quantity::LiquidTemperature | Quantity::RoomTemperature => Unit::Celsius,
        Quantity::Gravity => Unit::SpecificGravity,
    }
}

impl Pattern {
    /// The source that `topic` names.
    ///
    /// # Errors
    /// That level cannot name one.
    pub(super) fn source(&self, topic: &str) -> Result<Source, Wrong> {
        let level = self.source.and_then(|index| topic.split('/').nth(index));
        Ok(Source::new(level.unwrap_or_default())?)
    }
}

impl Numbers {
    /// What a number on `topic` stands for.
    ///
    /// # Errors
    /// The topic names a source or quantity that is none.
    pub(super) fn channel(&self, topic: &str, pattern: &Pattern) -> Result<Channel, Wrong> {
        let source = match &self.source {
            Some(source) => source.clone(),
            None => pattern.source(topic)?,
        };
        let (quantity, unit) = match &self.what {
            What::Fixed(quantity, unit) => (*quantity, *unit),
            What::Named(names) => {
                let level = pattern.quantity.and_then(|index| topic.split('/').nth(index));
                let level = level.unwrap_or_default();
                let named = names.iter().find(|(name, ..)| name == level);
                let (_, quantity, unit) = named.ok_or_else(|| Wrong::UnknownName {
                    given: plain::line(level, 60),
                    allowed: listed(names),
                })?;
                (*quantity, *unit)
            }
        };
        Ok(Channel {
            source,
            quantity,
            unit,
        })
    }
}

fn listed(names: &[(String, Quantity, Unit)]) -> String {
    if names.is_empty() {
        return QUANTITY_ALLOWED.to_owned();
    }
    let names: Vec<_> = names.iter().map(|(name, ..)| name.as_str()).collect();
    names.join(", ")
}
