//! Canonical JSON against the published vectors: what is hashed today must be hashed alike by anybody, for ever.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use sha2::{Digest, Sha256};

fn canonical(text: &str) -> String {
    let value: serde_json::Value = serde_json::from_str(text).unwrap();
    String::from_utf8(serde_json_canonicalizer::to_vec(&value).unwrap()).unwrap()
}

fn sha256(text: &str) -> String {
    Sha256::digest(text.as_bytes())
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

// Sources: RFC 8785 sections 3.2.2 and 3.2.3; the test data published with it (repository
// cyberphone/json-canonicalization, commit 19d51d7, Apache-2.0): structures, arrays, unicode. The SHA-256 values were
// recomputed with an implementation independent of both.
#[test]
fn the_published_vectors_come_out_byte_for_byte() {
    for (input, output, digest) in [
        (
            r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#,
            Some(
                r#"{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}"#,
            ),
            "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb",
        ),
        (
            r#"{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One","\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}"#,
            None,
            "5e321556d22018a9656991a9e94f77ec175fa193e52a2429d312f8419ec8b08c",
        ),
        (
            r#"{"1":{"f":{"f":"hi","F":5},"\n":56.0},"10":{},"":"empty","a":{},"111":[{"e":"yes","E":"no"}],"A":{}}"#,
            Some(
                r#"{"":"empty","1":{"\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{"E":"no","e":"yes"}],"A":{},"a":{}}"#,
            ),
            "605f65004ec2db7692522a0852c22f1c989e036d547e88963d1a3143cf3195d5",
        ),
        (
            r#"[56,{"d":true,"10":null,"1":[]}]"#,
            Some(r#"[56,{"1":[],"10":null,"d":true}]"#),
            "099601b171cafed97c333f8878d68e7f8c8f795412adb34b2fdcf0e7c7beac42",
        ),
        (
            r#"{"Unnormalized Unicode":"A\u030a"}"#,
            None,
            "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3",
        ),
    ] {
        let written = canonical(input);
        if let Some(output) = output {
            assert_eq!(written, output);
        }
        assert_eq!(sha256(&written), digest, "{written}");
    }
}

// Source: RFC 8785 appendix B (IEEE 754 sample values).
#[test]
fn numbers_are_written_as_the_standard_says() {
    for (bits, text) in [
        (0x0000_0000_0000_0000_u64, "0"),
        (0x8000_0000_0000_0000, "0"),
        (0x0000_0000_0000_0001, "5e-324"),
        (0x7fef_ffff_ffff_ffff, "1.7976931348623157e+308"),
        (0x4340_0000_0000_0000, "9007199254740992"),
        (0x4430_0000_0000_0000, "295147905179352830000"),
        (0x44b5_2d02_c7e1_4af5, "9.999999999999997e+22"),
        (0x44b5_2d02_c7e1_4af6, "1e+23"),
        (0x444b_1ae4_d6e2_ef50, "1e+21"),
        (0x444b_1ae4_d6e2_ef4f, "999999999999999900000"),
        (0x3eb0_c6f7_a0b5_ed8d, "0.000001"),
        (0x3eb0_c6f7_a0b5_ed8c, "9.999999999999997e-7"),
    ] {
        let written = serde_json_canonicalizer::to_vec(&f64::from_bits(bits)).unwrap();
        assert_eq!(String::from_utf8(written).unwrap(), text, "{bits:016x}");
    }
}

// The canonicaliser rounds integers beyond 2^53 silently; the store must refuse them before anything is hashed.
#[test]
fn what_has_no_single_canonical_form_is_refused_before_it_is_hashed() {
    let beyond = serde_json::json!({"lifts": 9_007_199_254_740_993_u64});
    assert!(clampward_domain::canonical::to_bytes(&beyond).is_err());
    let decimal = serde_json::json!({"load": 1.5});
    assert!(clampward_domain::canonical::to_bytes(&decimal).is_err());
}
