use super::*;

/// Names, units, values and times of a pack as they are meant.
fn meant(pack: &str) -> Vec<(String, Option<String>, Option<f64>, f64)> {
    let root: Value = serde_json::from_str(pack).unwrap();
    let of = |record: &Resolved<'_>| {
        let value = number(record.fields, "v").unwrap().map(|value| value + record.base_value);
        (format!("{}{}", record.base, record.name), record.unit.map(str::to_owned), value, record.time_s)
    };
    resolve(&root).unwrap().iter().map(of).collect()
}

/// RFC 8428 section 5.1.2, second example: current of the five seconds before 2010-06-08T18:01:16.001Z.
const CURRENT: &str = r#"[
    {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
    {"n":"current","t":-5,"v":1.2},
    {"n":"current","t":-4,"v":1.3},
    {"n":"current","t":-3,"v":1.4},
    {"n":"current","t":-2,"v":1.5},
    {"n":"current","t":-1,"v":1.6},
    {"n":"current","v":1.7}
]"#;

/// RFC 8428 section 5.1.3.
const HUMIDITY: &str = r#"[
    {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
    {"u":"lon","v":24.30621},
    {"u":"lat","v":60.07965},
    {"t":60,"v":20.3},
    {"u":"lon","t":60,"v":24.30622},
    {"u":"lat","t":60,"v":60.07965},
    {"t":120,"v":20.7},
    {"u":"lon","t":120,"v":24.30623},
    {"u":"lat","t":120,"v":60.07966},
    {"u":"%EL","t":150,"v":98},
    {"t":180,"v":21.2},
    {"u":"lon","t":180,"v":24.30628},
    {"u":"lat","t":180,"v":60.07967}
]"#;

/// RFC 8428 section 5.1.4: the pack above, resolved.
const HUMIDITY_RESOLVED: &str = r#"[
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]"#;

/// The texts of the examples are those that public test suites of the RFC carry; section 4.6 says that a pack and
/// its resolved form mean the same.
#[test]
fn a_pack_means_what_its_resolved_form_says() {
    assert_eq!(meant(HUMIDITY), meant(HUMIDITY_RESOLVED));
    assert_eq!(meant(HUMIDITY).len(), 13);
}

#[test]
fn base_fields_carry_on_and_times_are_added() {
    let meant = meant(CURRENT);
    let first = ("urn:dev:ow:10e2073a0108006:voltage".to_owned(), Some("V".to_owned()), Some(120.1));
    assert_eq!((meant[0].0.clone(), meant[0].1.clone(), meant[0].2), first);
    for (at, record) in meant.iter().enumerate().skip(1) {
        assert_eq!(record.0, "urn:dev:ow:10e2073a0108006:current");
        assert_eq!(record.1.as_deref(), Some("A"));
        assert!((record.3 - (1_276_020_076.001 - 6.0 + at as f64)).abs() < 1e-6, "{record:?}");
    }
}

#[test]
fn units_are_named_once_for_a_kind() {
    for (at, (word, quantity, factor, offset)) in UNITS.iter().enumerate() {
        assert!(factor.is_finite() && *factor != 0.0 && offset.is_finite());
        let same = |(other, kind, ..): &&(&str, Quantity, f64, f64)| other == word && kind == quantity;
        assert_eq!(UNITS.iter().skip(at).filter(same).count(), 1, "{word}");
    }
}
