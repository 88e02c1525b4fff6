//! The engine held to what a grower must be able to lean on, at the boundary that lasts: events and their
//! times in, actions out.
//!
//! Weather and soil are made here (`sim`), with formulas of their own. What a test expects stands in words
//! beside it; times are those of the garden's clock. Past faults are tests with their story.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "engine/battery.rs"]
mod battery;
#[path = "engine/blind.rs"]
mod blind;
#[path = "engine/board.rs"]
mod board;
#[path = "engine/book.rs"]
mod book;
#[path = "engine/cover.rs"]
mod cover;
#[path = "engine/creeping.rs"]
mod creeping;
#[path = "engine/days.rs"]
mod days;
#[path = "engine/dose.rs"]
mod dose;
#[path = "engine/fruit.rs"]
mod fruit;
#[path = "engine/gear.rs"]
mod gear;
#[path = "engine/gear_record.rs"]
mod gear_record;
#[path = "engine/gear_rules.rs"]
mod gear_rules;
#[path = "engine/growth.rs"]
mod growth;
#[path = "engine/late.rs"]
mod late;
#[path = "engine/marks.rs"]
mod marks;
#[path = "engine/memory.rs"]
mod memory;
#[path = "engine/morning.rs"]
mod morning;
#[path = "engine/outbox.rs"]
mod outbox;
#[path = "engine/plant.rs"]
mod plant;
#[path = "engine/poured.rs"]
mod poured;
#[path = "engine/rain.rs"]
mod rain;
#[path = "engine/scout.rs"]
mod scout;
#[path = "engine/season.rs"]
mod season;
#[path = "engine/sim.rs"]
mod sim;
#[path = "engine/stage.rs"]
mod stage;
#[path = "engine/taken_back.rs"]
mod taken_back;
#[path = "engine/thirst.rs"]
mod thirst;
#[path = "engine/turns.rs"]
mod turns;
#[path = "engine/water.rs"]
mod water;
#[path = "engine/weather.rs"]
mod weather;
