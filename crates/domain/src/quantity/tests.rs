//! Exactness, refusals and conversions of quantities.

use super::*;

fn mass(value: &str, unit: &str) -> Mass {
    Mass::parse(value, unit).unwrap()
}

#[test]
fn conversions_are_exact() {
    // International yard and pound agreement 1959; NIST SP 811 appendix B.8 lists the same exact factors.
    assert_eq!(
        Length::parse("1", "[in_i]").unwrap().millimetres().to_string(),
        "25.4"
    );
    assert_eq!(
        Length::parse("1", "[ft_i]").unwrap().millimetres().to_string(),
        "304.8"
    );
    assert_eq!(mass("1", "[lb_av]").kilograms().to_string(), "0.45359237");
    assert_eq!(mass("1", "[ston_av]").kilograms().to_string(), "907.18474");
    assert_eq!(mass("1", "[lton_av]").kilograms().to_string(), "1016.0469088");
    assert_eq!(
        Force::parse("1", "[lbf_av]").unwrap().newtons().to_string(),
        "4.4482216152605"
    );
    assert_eq!(mass("2000", "[lb_av]"), mass("1", "[ston_av]"));
    assert_eq!(mass("2240", "[lb_av]"), mass("1", "[lton_av]"));
    assert!(mass("1", "[ston_av]") < mass("1", "t"));
    let fahrenheit = Temperature::parse("150", "[degF]").unwrap();
    assert!(fahrenheit > Temperature::parse("65.5555", "Cel").unwrap());
    assert!(fahrenheit < Temperature::parse("65.5556", "Cel").unwrap());
    assert_eq!(
        Temperature::parse("-40", "[degF]").unwrap(),
        Temperature::parse("-40", "Cel").unwrap()
    );
}

#[test]
fn a_ton_is_never_guessed() {
    let error = Mass::parse("3", "ton").unwrap_err();
    assert!(error.to_string().contains("[ston_av]"), "{error}");
}

#[test]
fn what_is_not_a_plain_decimal_is_refused() {
    for text in [
        "3,000", "1e3", "1e999", "NaN", "", ".", "1.", ".5", " 3", "3 ", "+3", "--3", "0x10", "3.000.0", "٣",
    ] {
        assert!(
            matches!(Mass::parse(text, "kg"), Err(QuantityError::NotDecimal(_))),
            "{text:?}"
        );
    }
    assert!(matches!(
        Mass::parse(&"9".repeat(40), "kg"),
        Err(QuantityError::TooManyDigits(_))
    ));
    assert!(matches!(
        Mass::parse("1.00001", "kg"),
        Err(QuantityError::TooManyDigits(_))
    ));
    assert!(matches!(Mass::parse("-1", "kg"), Err(QuantityError::Negative(_))));
}

#[test]
fn a_json_number_is_refused_with_advice() {
    let error = serde_json::from_str::<Mass>(r#"{"value": 3000, "unit": "kg"}"#).unwrap_err();
    assert!(error.to_string().contains("in quotes"), "{error}");
    let kept = serde_json::to_string(&mass("3000.0", "kg")).unwrap();
    assert_eq!(kept, r#"{"value":"3000.0","unit":"kg"}"#);
}
