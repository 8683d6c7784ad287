//! The question and the answer as JSON.

use super::*;
use serde_json::{Value, json};

fn question() -> Value {
    json!({
        "id": "00000000-0000-0000-0000-000000000063",
        "clamps": ["00000000-0000-0000-0000-000000000001"],
        "plate": {
            "length": {"value": "2", "unit": "m"},
            "width": {"value": "6", "unit": "m"},
            "thickness": {"value": "20", "unit": "mm"},
        },
        "lift": "turning_90",
        "legs": 1,
        "angle_from_horizontal": {"value": "90", "unit": "deg"},
        "every_lift_check": "passed",
    })
}

fn read(value: Value) -> Result<LiftCheckRequest, String> {
    serde_json::from_value(value).map_err(|error| error.to_string())
}

#[test]
fn the_shortest_question_is_answered() {
    let request = read(question()).unwrap();
    let answer = answer(&request, &model());
    assert_eq!((codes(&answer), answer.plate_mass), (vec![], Some(kg("1884"))));
    let json = serde_json::to_value(&answer).unwrap();
    assert_eq!(json["decision"], "clear");
    assert_eq!(json["plate_mass"], json!({"value": "1884", "unit": "kg"}));
    assert_eq!(json["tension_per_clamp"], json!({"value": "1884", "unit": "kg"}));
    assert_eq!(json["utilisation"], json!({"value": "62.8", "unit": "%"}));
    assert_eq!(serde_json::from_value::<LiftCheckAnswer>(json).unwrap(), answer);
}

#[test]
fn a_reason_carries_its_number_its_limit_and_its_source() {
    let mut question = question();
    question["tilt"] = json!({"value": "10.1", "unit": "deg"});
    let answer = answer(&read(question).unwrap(), &model());
    let json = serde_json::to_value(&answer).unwrap();
    assert_eq!(json["decision"], "stop");
    assert_eq!(json["reasons"][0]["code"], "tilt_over_ten_degrees");
    assert_eq!(
        json["reasons"][0]["clamp_id"],
        "00000000-0000-0000-0000-000000000001"
    );
    assert_eq!(
        json["reasons"][0]["value"],
        json!({"value": "10.1", "unit": "deg"})
    );
    assert_eq!(json["reasons"][0]["limit"], json!({"value": "10", "unit": "deg"}));
    assert_eq!(
        json["reasons"][0]["source"],
        json!({"cite": "DGUV 209-019", "certainty": "text"})
    );
}

#[test]
fn a_question_survives_the_way_there_and_back() {
    let mut question = question();
    question["surface"] = json!(["tight_mill_scale", "oil"]);
    let request = read(question.clone()).unwrap();
    assert_eq!(serde_json::to_value(&request).unwrap(), question);
    question["surface"] = json!("oil");
    assert_eq!(read(question).unwrap().surface, Some(vec![Surface::Oil]));
}

#[test]
fn a_plate_is_dimensions_or_a_mass_and_nothing_between() {
    let thickness = json!({"value": "20", "unit": "mm"});
    let mass = json!({"value": "1", "unit": "t"});
    let length = json!({"value": "2", "unit": "m"});
    let density = json!({"value": "2700", "unit": "kg/m3"});
    let with = |plate: Value| {
        let mut question = question();
        question["plate"] = plate;
        read(question)
    };
    assert_eq!(
        with(json!({"mass": mass, "thickness": thickness})).unwrap().plate,
        Plate::Weighed {
            mass: kg("1000"),
            thickness: mm("20")
        }
    );
    assert_eq!(
        with(json!({"thickness": thickness})).unwrap().plate,
        Plate::MassUnknown { thickness: mm("20") }
    );
    for (plate, advice) in [
        (
            json!({"length": length, "width": length, "thickness": thickness, "mass": mass}),
            "not both",
        ),
        (
            json!({"mass": mass, "thickness": thickness, "density": density}),
            "not both",
        ),
        (json!({"length": length, "thickness": thickness}), "a plate needs"),
        (
            json!({"density": density, "thickness": thickness}),
            "a plate needs",
        ),
        (json!({"mass": mass}), "thickness"),
        (
            json!({"mass": mass, "thickness": thickness, "height": length}),
            "height",
        ),
    ] {
        let error = with(plate.clone()).unwrap_err();
        assert!(error.contains(advice), "{plate}: {error}");
    }
}

#[test]
fn unknown_fields_and_plain_numbers_are_refused() {
    let mut typo = question();
    typo["angle"] = json!({"value": "45", "unit": "deg"});
    assert!(read(typo).unwrap_err().contains("angle"));
    let mut number = question();
    number["angle_from_horizontal"] = json!(45);
    assert!(read(number).is_err());
    let mut surface = question();
    surface["surface"] = json!("butter");
    assert!(read(surface).unwrap_err().contains("surface is one word"));
    let mut trained = question();
    trained["operator_trained"] = json!(true);
    assert!(read(trained).is_err(), "training is looked up, not claimed");
}

#[test]
fn lists_and_texts_have_a_limit() {
    for (field, most, too_many) in [
        (
            "clamps",
            json!(vec![id(1); MAX_CLAMPS]),
            json!(vec![id(1); MAX_CLAMPS + 1]),
        ),
        (
            "surface",
            json!(vec!["oil"; MAX_SURFACES]),
            json!(vec!["oil"; MAX_SURFACES + 1]),
        ),
        (
            "steel_grade",
            json!("S".repeat(MAX_GRADE_CHARACTERS)),
            json!("S".repeat(MAX_GRADE_CHARACTERS + 1)),
        ),
    ] {
        let mut question = question();
        question[field] = most;
        assert!(read(question.clone()).is_ok(), "{field}");
        question[field] = too_many;
        assert!(read(question).unwrap_err().contains("at most"), "{field}");
    }
}
