use super::super::mould::Seen;
use super::{Charted, KnownTexts, Moulds, glance, learn};
use crate::translate::codes::Codes;

/// At a glance; what is learned of one document is used for the next.
fn seen<'a>(body: &'a [u8], moulds: &mut Moulds, known: &KnownTexts) -> Option<Charted<'a>> {
    let matters = match moulds.cast(body, Some(known)) {
        Seen::Dull => Some(false),
        Seen::Shape(_) => Some(true),
        Seen::Unseen => None,
    };
    assert!(matters.is_none_or(|m| m == known.may_matter(body)), "{}", String::from_utf8_lossy(body));
    let mut read = Charted::default();
    if let Seen::Shape(cast) = moulds.cast(body, None) {
        return glance(body, Some(&cast), &mut read).map(|()| read);
    }
    let seen = glance(body, None, &mut read);
    learn(body, moulds, known);
    seen.map(|()| read)
}

const PLAIN: &str = r#"{"resourceType":"Procedure","id":"c-1","meta":{"versionId":"12","lastUpdated":"2026-03-07T12:00:00.120-06:00",    "profile":["urn:a"]},"identifier":[{"value":"E1","rank":-3,"weight":0.5,"old":false,"new":true}],"status":"completed",  "statusReason":{"text":"später"},"code":{"coding":[{"system":"urn:s","code":"1","display":"Zähne geputzt"},{"code":"2"},{}],"text":"t"}, "subject":{"reference":"Patient/p","display":"€"},"encounter":{"reference":"Encounter/e","type":null} , "performedPeriod" :{"start":"2026-03-07T12:00:00Z","end":"2026-03-08"},"note":[],"usedReference":[{"reference":"Device/d"},{}]}"#;
const AT: &str = r#"{"id":"c","subject":{},"performedDateTime":"2026-03","code":{},"usedReference":[],"n":[[1,[2]],{"a":{"b":["a value that is worth comparing"]}}]}"#;

/// Pieces of documents, sound and unsound.
const PIECES: [&str; 42] = [
    "",
    " ",
    "\"",
    "\\",
    "\\\"",
    "\\u0041",
    "{",
    "}",
    "[",
    "]",
    ",",
    ":",
    "null",
    "true",
    "tru",
    "0",
    "01",
    "-",
    "-1.5",
    "1.",
    "1e5",
    ".",
    "\t",
    "\u{1}",
    "\u{7f}",
    "é",
    "{}",
    "[]",
    "\"\"",
    "\"id\":\"x\",",
    "\"status\":\"stopped\",",
    "\"status\":\"asleep\",",
    "\"subject\":{\"reference\":\"Patient/q\"},",
    "\"code\":null,",
    "\"contained\":[],",
    "\"modifierExtension\":[],",
    "\"performedDateTime\":\"2026-02-30\",",
    "\"performedString\":\"noon\",",
    "\"usedCode\":[],",
    "\"a\":[{\"implicitRules\":\"x\"}],",
    "\"b\":{\"code\":\"717778001\"},",
    "\"b\":{\"versionId\":\"1\"},",
];

fn in_full(body: &[u8]) -> Result<Charted<'_>, serde_json::Error> {
    serde_json::from_slice(body)
}

#[test]
fn what_records_write_takes_no_more_than_a_glance() {
    for body in [PLAIN, AT] {
        let known = KnownTexts::new(&Codes::shipped());
        let mut moulds = Moulds::default();
        let first = seen(body.as_bytes(), &mut moulds, &known).unwrap();
        let again = seen(body.as_bytes(), &mut moulds, &known).unwrap();
        assert!(matches!(moulds.cast(body.as_bytes(), None), Seen::Shape(_)));
        assert_eq!(format!("{first:?}"), format!("{again:?}"));
        assert_eq!(format!("{first:?}"), format!("{:?}", in_full(body.as_bytes()).unwrap()));
    }
}

#[test]
fn a_glance_reads_what_the_full_parser_reads_or_nothing() {
    let (mut roll, mut count) = (1_u64, 0);
    let mut dice = |below: usize| {
        roll = roll.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (roll >> 33) as usize % below
    };
    let mut bodies = Vec::new();
    for round in 0..40_000 {
        let plain = if round % 2 == 0 { PLAIN } else { AT };
        let mut body = plain.as_bytes().to_vec();
        for _ in 0..=dice(2) {
            let piece = PIECES[dice(PIECES.len())].as_bytes();
            // members are put where members stand
            let member = piece.len() > 1 && piece.ends_with(b",");
            let from = if member { 1 } else { dice(body.len()) };
            let to = if member { 1 } else { (from + dice(4) * dice(2)).min(body.len()) };
            body.splice(from..to, piece.iter().copied());
        }
        bodies.push(body);
    }
    // the shape of one document must be none of the next one's if that is broken there
    let (mut moulds, known) = (Moulds::default(), KnownTexts::new(&Codes::shipped()));
    for body in &bodies {
        let Some(glanced) = seen(body, &mut moulds, &known) else { continue };
        count += 1;
        let full = in_full(body);
        let full = full.unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(body)));
        assert_eq!(format!("{glanced:?}"), format!("{full:?}"));
        assert!(!body.windows(19).any(|w| w == b"\"modifierExtension\""));
    }
    assert!(count > 4_000, "{count}");
}

#[test]
fn eight_bytes_at_once_stop_where_each_would() {
    let texts = ["plain text of some length", "üöä€ of others", "\u{7f}\u{80}", ""];
    for text in texts {
        for (at, stop) in (0..=text.len()).flat_map(|at| [(at, "\""), (at, "\\"), (at, "\u{1f}"), (at, "\0")])
        {
            if !text.is_char_boundary(at) {
                continue;
            }
            let inside = format!("{}{stop}{}", &text[..at], &text[at..]);
            let body = format!("{{\"subject\":{{}},\"x\":\"{inside}\"}}");
            assert!(glance(body.as_bytes(), None, &mut Charted::default()).is_none(), "{body:?}");
        }
        let body = format!("{{\"subject\":{{}},\"x\":\"{text}\"}}");
        assert!(glance(body.as_bytes(), None, &mut Charted::default()).is_some(), "{body:?}");
    }
}
