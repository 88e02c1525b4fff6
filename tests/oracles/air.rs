//! Moist air against PsychroLib 2.5.0, which holds ASHRAE's formulas.
//!
//! The two are different fits to the same water: FAO-56's curve is Tetens', ASHRAE's is that of Hyland and
//! Wexler, so they agree as far as Tetens does, not to rounding: 0.12 % of the saturation pressure at 45 °C.
//! FAO-56's air pressure starts from 20 °C at the sea, the standard atmosphere from 15 °C: 0.6 % apart at
//! 3,000 m. (That our code *is* FAO-56's is held by `reference.rs`, to 1e-9.) Below 0 °C PsychroLib goes over
//! to ice and FAO-56 does not, so the questions begin at 0.5 °C; where a dewpoint or a wet bulb falls below
//! that, it is left out. Stull's wet bulb is a fit of his own: 0.3 °C off on the mean, 1.2 °C at 5 % humidity.

use agronomy::air;

use crate::asked::{Check, Table, ask, prove};
use crate::made::Chance;

struct Moment {
    air_c: f64,
    rh_pct: f64,
    altitude_m: f64,
}

#[test]
fn two_thousand_moments_agree_with_ashrae() {
    let mut chance = Chance::new(1);
    let mut table = Table::new(&["air_c", "rh_pct", "altitude_m"]);
    let moments: Vec<Moment> = (0..2_000)
        .map(|_| Moment {
            air_c: chance.between(0.5, 45.0),
            rh_pct: chance.between(5.0, 99.0),
            altitude_m: chance.between(0.0, 3_000.0),
        })
        .collect();
    for moment in &moments {
        table.push(&[moment.air_c, moment.rh_pct, moment.altitude_m]);
    }
    let answers = ask("air", &[("moments", &table)]);
    let column = |name: &str| answers.column(name, moments.len());
    let each = |ours: &dyn Fn(&Moment) -> Result<f64, agronomy::Error>| -> Vec<f64> {
        moments.iter().map(|moment| ours(moment).expect("a physical moment")).collect()
    };
    let share = |ours: Vec<f64>, theirs: Vec<f64>| -> (Vec<f64>, Vec<f64>) {
        let relative = ours.iter().zip(&theirs).map(|(ours, theirs)| ours / theirs).collect();
        (relative, vec![1.0; theirs.len()])
    };

    let (saturation, ones) = share(each(&|at| air::saturation_kpa(at.air_c)), column("saturation_kpa"));
    let (pressure, _) = share(each(&|at| air::pressure_kpa(at.altitude_m)), column("pressure_kpa"));
    let dewpoint =
        each(&|at| air::saturation_kpa(at.air_c).and_then(|es| air::dewpoint_c(es * at.rh_pct / 100.0)));
    let over_water: Vec<(f64, f64)> =
        dewpoint.into_iter().zip(column("dewpoint_c")).filter(|&(_, theirs)| theirs > 0.5).collect();
    let wet_bulb = column("wet_bulb_c");
    let vapour = column("vapour_kpa");
    let (mut psychrometer, mut theirs) = (Vec::new(), Vec::new());
    for (row, at) in moments.iter().enumerate().filter(|(row, _)| wet_bulb[*row] > 0.5) {
        let pressure_kpa = air::pressure_kpa(at.altitude_m).expect("pressure");
        psychrometer.push(
            air::ea_from_wet_bulb(at.air_c, wet_bulb[row], pressure_kpa, 0.000662).expect("a psychrometer"),
        );
        theirs.push(vapour[row]);
    }
    let sea_level = column("wet_bulb_sea_level_c");
    let stull = each(&|at| air::wet_bulb_c(at.air_c, at.rh_pct));
    let mean_off =
        stull.iter().zip(&sea_level).map(|(ours, theirs)| (ours - theirs).abs()).sum::<f64>() / 2_000.0;
    println!("wet bulb by Stull: {mean_off:.2} °C off on the mean");
    assert!(mean_off < 0.35, "{mean_off}");
    prove(vec![
        Check {
            what: "saturation against ASHRAE, share",
            bound: 0.0015,
            ours: saturation,
            theirs: ones.clone(),
        },
        Check { what: "pressure against ASHRAE, share", bound: 0.007, ours: pressure, theirs: ones },
        Check {
            what: "dewpoint against ASHRAE, °C",
            bound: 0.02,
            ours: over_water.iter().map(|pair| pair.0).collect(),
            theirs: over_water.iter().map(|pair| pair.1).collect(),
        },
        Check {
            what: "vapour from a ventilated wet bulb against ASHRAE, kPa",
            bound: 0.06,
            ours: psychrometer,
            theirs,
        },
        Check {
            what: "wet bulb by Stull against ASHRAE at sea level, °C",
            bound: 1.25,
            ours: stull,
            theirs: sea_level,
        },
        Check {
            what: "vapour deficit against ASHRAE, kPa",
            bound: 0.012,
            ours: each(&|at| air::deficit_kpa(at.air_c, at.rh_pct)),
            theirs: column("deficit_kpa"),
        },
    ]);
}
