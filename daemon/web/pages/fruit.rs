//! The fruits on the page of now: mass by the tape, gain, where it ends.

use maud::{Markup, html};

use crate::engine::FruitView;
use crate::record::Millis;
use crate::web::words;

/// The section; nothing where no fruit is taped, weighed or chosen.
pub fn section(fruits: &[FruitView], now_ms: Millis) -> Markup {
    html! {
        @if !fruits.is_empty() {
            section {
                h2 { "Fruit" }
                div.beds { @for fruit in fruits { (card(fruit, now_ms)) } }
            }
        }
    }
}

fn card(fruit: &FruitView, now_ms: Millis) -> Markup {
    html! {
        article {
            h3 {
                (fruit.name)
                @if let Some(state) = fruit.state { ", " (state) }
                @if let Some(bed) = &fruit.bed { " on " (bed) }
            }
            @if let Some(kg) = fruit.weighed_kg { p.figure { b { (whole(kg)) " kg" } " on the scale" } }
            @if let Some((kg, sd_kg)) = fruit.mass_kg {
                p.figure {
                    b { (whole(kg)) " kg" } " (±" (whole(sd_kg)) ") by the tape"
                    @if let Some(gain) = fruit.gain_kg_day { span.small { ", " (format!("{gain:+.1}")) " kg a day" } }
                }
            }
            @if let Some((low_kg, kg, high_kg)) = fruit.final_kg {
                p.figure {
                    "Left to grow it ends at " b { (whole(kg)) " kg" }
                    span.small { ", four times in five between " (whole(low_kg)) " and " (whole(high_kg)) }
                }
            }
            @if let Some(days) = fruit.age_days { p.small { (days) " days after pollination" } }
            @if let Some(at_ms) = fruit.taped_ms { p.small { (taped(at_ms, now_ms)) } }
            @if !fruit.curve.is_empty() { p.small { (fruit.curve) } }
            @if !fruit.note.is_empty() { p { b { (fruit.note) } } }
        }
    }
}

fn taped(at_ms: Millis, now_ms: Millis) -> String {
    match words::age(at_ms, now_ms).as_str() {
        "just now" => "Taped just now".to_owned(),
        age => format!("Taped {age} ago"),
    }
}

/// Kilograms as a scale would show them: tenths below 10.
fn whole(kg: f64) -> String {
    if kg < 9.95 { format!("{kg:.1}") } else { format!("{kg:.0}") }
}
