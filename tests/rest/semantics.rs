//! What a search finds is what R4 says it finds: the same resources, filtered by a reading of R4 that is written here
//! for itself, in cells of time and plain comparisons.
//!
//! Sources: HL7 FHIR R4 (4.0.1), search.html, sections on prefixes, `date`, `token`, `reference`, `string` and the
//! modifiers; written down from memory of them.

use std::collections::BTreeSet;

use proptest::prelude::*;
use serde_json::{Value, json};

use super::{Service, ids, link};

const FAR: i64 = 1_000_000;

/// A time in the four days of this test, at +01:00: none means the day.
#[derive(Clone, Copy, Debug)]
struct When {
    day: i64,
    hour: Option<i64>,
    /// Said in another zone than the hospital's, or for a query in none.
    zone: usize,
}

impl When {
    fn text(self, query: bool) -> String {
        let day = 10 + self.day;
        let Some(hour) = self.hour else { return format!("2026-03-{day}") };
        match self.zone {
            0 => format!("2026-03-{day}T{hour:02}:00:00+01:00"),
            1 if query => format!("2026-03-{day}T{hour:02}:00:00"),
            _ if hour == 0 => format!("2026-03-{:02}T23:00:00Z", day - 1),
            _ => format!("2026-03-{day}T{:02}:00:00Z", hour - 1),
        }
    }

    /// First and last cell: each hour is two, its first second and the rest.
    fn cells(self) -> (i64, i64) {
        match self.hour {
            None => (self.day * 48, self.day * 48 + 47),
            Some(hour) => (self.day * 48 + hour * 2, self.day * 48 + hour * 2),
        }
    }
}

/// When something was done.
#[derive(Clone, Copy, Debug)]
enum Done {
    Never,
    Text,
    At(When),
    From(When),
    Until(When),
    Between(When, When),
}

impl Done {
    fn write(self, into: &mut Value) {
        match self {
            Done::Never => {}
            Done::Text => into["performedString"] = json!("2026-03-11"),
            Done::At(at) => into["performedDateTime"] = json!(at.text(false)),
            Done::From(at) => into["performedPeriod"] = json!({ "start": at.text(false) }),
            Done::Until(at) => into["performedPeriod"] = json!({ "end": at.text(false) }),
            Done::Between(a, b) => {
                into["performedPeriod"] = json!({ "start": a.text(false), "end": b.text(false) })
            }
        }
    }

    fn cells(self) -> Option<(i64, i64)> {
        match self {
            Done::Never | Done::Text => None,
            Done::At(at) => Some(at.cells()),
            Done::From(at) => Some((at.cells().0, FAR)),
            Done::Until(at) => Some((-FAR, at.cells().1)),
            Done::Between(a, b) => Some((a.cells().0, b.cells().1)),
        }
    }
}

#[derive(Clone, Debug)]
struct Doc {
    status: usize,
    code: Vec<(usize, usize)>,
    subject: usize,
    encounter: Option<usize>,
    name: Option<usize>,
    done: Done,
}

const STATUS: [&str; 3] = ["completed", "in-progress", "not-done"];
const SYSTEM: [&str; 3] = ["urn:a", "urn:b", ""];
const CODE: [&str; 2] = ["x", "X"];
const SUBJECT: [&str; 4] =
    ["Patient/p0", "http://ward.example/fhir/Patient/p1", "Group/p0", "http://else.example/Patient/p0"];

impl Doc {
    fn json(&self) -> Value {
        let coding = |(system, code): &(usize, usize)| match SYSTEM[*system] {
            "" => json!({ "code": CODE[*code] }),
            system => json!({ "system": system, "code": CODE[*code] }),
        };
        let code = if self.code.is_empty() {
            json!({ "text": "Mundpflege \u{e4}tzend" })
        } else {
            json!({ "coding": self.code.iter().map(coding).collect::<Vec<_>>() })
        };
        let mut out = json!({
            "resourceType": "Procedure", "status": STATUS[self.status], "code": code,
            "subject": { "reference": SUBJECT[self.subject] },
        });
        if let Some(encounter) = self.encounter {
            out["encounter"] = json!({ "reference": format!("Encounter/e{encounter}") });
        }
        if let Some(name) = self.name {
            out["identifier"] = match name {
                0 => json!([{ "value": "n" }]),
                n => json!([{ "system": format!("urn:n{n}"), "value": "n" }]),
            };
        }
        self.done.write(&mut out);
        out
    }
}

/// One criterion, as it is asked and as it is meant.
#[derive(Clone, Debug)]
enum Asked {
    Status(Vec<usize>, bool),
    Code(Option<usize>, usize, bool),
    AnyCode(usize),
    CodeText(&'static str),
    Patient(Vec<usize>),
    Subject(usize),
    Encounter(usize),
    Name(Option<usize>),
    Date(Vec<(usize, When)>),
    Missing(&'static str, bool),
}

const PREFIX: [&str; 9] = ["", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"];

impl Asked {
    fn text(&self) -> String {
        let list = |items: Vec<String>| items.join(",");
        match self {
            Asked::Status(among, not) => {
                let name = if *not { "status:not" } else { "status" };
                format!("{name}={}", list(among.iter().map(|s| STATUS[*s].to_owned()).collect()))
            }
            Asked::Code(system, code, not) => {
                let name = if *not { "code:not" } else { "code" };
                let system = system.map(|s| format!("{}%7C", SYSTEM[s])).unwrap_or_default();
                format!("{name}={system}{}", CODE[*code])
            }
            Asked::AnyCode(system) => format!("code={}%7C", SYSTEM[*system]),
            Asked::CodeText(text) => format!("code:text={text}"),
            Asked::Patient(among) => {
                format!("patient={}", list(among.iter().map(|p| format!("p{p}")).collect()))
            }
            Asked::Subject(subject) => format!("subject={}", SUBJECT[*subject]),
            Asked::Encounter(encounter) => format!("encounter=Encounter/e{encounter}"),
            Asked::Name(None) => "identifier=n".to_owned(),
            Asked::Name(Some(0)) => "identifier=%7Cn".to_owned(),
            Asked::Name(Some(n)) => format!("identifier=urn:n{n}%7Cn"),
            Asked::Date(among) => {
                let one = |(prefix, when): &(usize, When)| format!("{}{}", PREFIX[*prefix], when.text(true));
                format!("date={}", list(among.iter().map(one).collect())).replace('+', "%2B")
            }
            Asked::Missing(name, missing) => format!("{name}:missing={missing}"),
        }
    }

    fn fits(&self, doc: &Doc) -> bool {
        let has = |system: Option<usize>, code: usize| {
            doc.code.iter().any(|(s, c)| *c == code && system.is_none_or(|wanted| wanted == *s))
        };
        match self {
            Asked::Status(among, not) => among.contains(&doc.status) != *not,
            Asked::Code(system, code, not) => has(*system, *code) != *not,
            Asked::AnyCode(system) => doc.code.iter().any(|(s, _)| s == system),
            // the one text begins so, without its case and its dots
            Asked::CodeText(text) => *text == "MUNDPFLEGE%20At" && doc.code.is_empty(),
            Asked::Patient(among) => doc.subject < 2 && among.contains(&doc.subject),
            Asked::Subject(subject) => doc.subject == *subject,
            Asked::Encounter(encounter) => doc.encounter == Some(*encounter),
            Asked::Name(None) => doc.name.is_some(),
            Asked::Name(wanted) => doc.name == *wanted,
            Asked::Date(among) => {
                let Some(there) = doc.done.cells() else { return false };
                among.iter().any(|(prefix, when)| lies(PREFIX[*prefix], when.cells(), there))
            }
            Asked::Missing(name, missing) => {
                let is = match *name {
                    "date" => matches!(doc.done, Done::Never),
                    "encounter" => doc.encounter.is_none(),
                    _ => doc.name.is_none(),
                };
                is == *missing
            }
        }
    }
}

/// Both given as first and last cell.
fn lies(prefix: &str, asked: (i64, i64), there: (i64, i64)) -> bool {
    let inside = there.0 >= asked.0 && there.1 <= asked.1;
    let some_after = there.1 > asked.1;
    let some_before = there.0 < asked.0;
    match prefix {
        "" | "eq" => inside,
        "ne" => !inside,
        "gt" => some_after,
        "lt" => some_before,
        "ge" => some_after || inside,
        "le" => some_before || inside,
        "sa" => there.0 > asked.1,
        "eb" => there.1 < asked.0,
        other => panic!("{other}"),
    }
}

fn when() -> impl Strategy<Value = When> {
    (0..4_i64, prop::option::of(0..24_i64), 0..3_usize).prop_map(|(day, hour, zone)| When { day, hour, zone })
}

fn done() -> impl Strategy<Value = Done> {
    prop_oneof![
        1 => Just(Done::Never),
        1 => Just(Done::Text),
        4 => when().prop_map(Done::At),
        1 => when().prop_map(Done::From),
        1 => when().prop_map(Done::Until),
        2 => (when(), when()).prop_filter_map("a period ends after it begins", |(a, b)| {
            (a.cells().0 <= b.cells().0 && a.cells().1 <= b.cells().1).then_some(Done::Between(a, b))
        }),
    ]
}

fn doc() -> impl Strategy<Value = Doc> {
    let code = prop::collection::vec((0..3_usize, 0..2_usize), 0..3);
    (0..3_usize, code, 0..4_usize, prop::option::of(0..2_usize), prop::option::of(0..3_usize), done())
        .prop_map(|(status, code, subject, encounter, name, done)| Doc {
            status,
            code,
            subject,
            encounter,
            name,
            done,
        })
}

fn asked() -> impl Strategy<Value = Asked> {
    prop_oneof![
        1 => (prop::collection::vec(0..3_usize, 1..3), any::<bool>()).prop_map(|(s, n)| Asked::Status(s, n)),
        1 => (prop::option::of(0..3_usize), 0..2_usize, any::<bool>()).prop_map(|(s, c, n)| Asked::Code(s, c, n)),
        1 => (0..2_usize).prop_map(Asked::AnyCode),
        1 => prop_oneof![Just("MUNDPFLEGE%20At"), Just("pflege")].prop_map(Asked::CodeText),
        1 => prop::collection::vec(0..2_usize, 1..3).prop_map(Asked::Patient),
        1 => (0..4_usize).prop_map(Asked::Subject),
        1 => (0..3_usize).prop_map(Asked::Encounter),
        1 => prop::option::of(0..3_usize).prop_map(Asked::Name),
        4 => prop::collection::vec((0..9_usize, when()), 1..3).prop_map(Asked::Date),
        1 => (prop_oneof![Just("date"), Just("encounter"), Just("identifier")], any::<bool>())
            .prop_map(|(n, m)| Asked::Missing(n, m)),
    ]
}

#[test]
fn a_search_finds_what_a_plain_reading_of_r4_finds() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let cases = (
        prop::collection::vec(doc(), 1..25),
        prop::collection::vec(prop::collection::vec(asked(), 1..4), 12..20),
        1..9_usize,
    );
    let mut runner =
        proptest::test_runner::TestRunner::new(ProptestConfig { cases: 60, ..ProptestConfig::default() });
    runner
        .run(&cases, |(docs, queries, rows)| {
            runtime.block_on(async {
                let service = Service::configured(|c| c.site.standard.zone = chrono_tz::Europe::Vienna).await;
                for (n, doc) in docs.iter().enumerate() {
                    let mut body = doc.json();
                    body["id"] = json!(format!("d{n}"));
                    let reply = service.put(&format!("/fhir/Procedure/d{n}"), &body).await;
                    prop_assert_eq!(reply.status, 201, "{}: {}", body, reply.text());
                }
                for query in &queries {
                    let text: Vec<String> = query.iter().map(Asked::text).collect();
                    let want: BTreeSet<String> = (0..docs.len())
                        .filter(|n| query.iter().all(|asked| asked.fits(&docs[*n])))
                        .map(|n| format!("d{n}"))
                        .collect();
                    let mut found = Vec::new();
                    let mut next = Some(format!("/fhir/Procedure?{}&_count={rows}", text.join("&")));
                    while let Some(page) = next {
                        let bundle = service.get(&page).await.json();
                        found.extend(ids(&bundle));
                        next = link(&bundle, "next");
                    }
                    let all = found.len();
                    let found: BTreeSet<String> = found.into_iter().collect();
                    prop_assert_eq!(found.len(), all, "{:?}", &text);
                    prop_assert_eq!(&found, &want, "{:?}", &text);
                    let count =
                        service.get(&format!("/fhir/Procedure?{}&_summary=count", text.join("&"))).await;
                    prop_assert_eq!(&count.json()["total"], &json!(want.len()), "{:?}", &text);
                }
                Ok(())
            })
        })
        .unwrap();
}

#[tokio::test]
async fn nearly_is_a_tenth_of_the_time_between_then_and_now() {
    let service = Service::new().await;
    // the clock stands at 2026-03-01T12:00Z; ten days before is nearly a day more or less
    for (id, at) in [("near", "2026-02-18T18:00:00Z"), ("far", "2026-02-18T00:00:00Z")] {
        let body = super::with(super::procedure(), json!({ "id": id, "performedDateTime": at }));
        service.put(&format!("/fhir/Procedure/{id}"), &body).await;
    }
    let found = service.get("/fhir/Procedure?date=ap2026-02-19T12:00:00Z").await.json();
    assert_eq!(ids(&found), ["near"]);
}

#[tokio::test]
async fn names_are_found_whatever_their_case_and_accents() {
    let service = Service::new().await;
    for (id, family, given) in
        [("a", "M\u{fc}ller", "Zo\u{eb}"), ("b", "Mueller", "Anna"), ("c", "de la M\u{fb}re", "L.")]
    {
        let name = json!([{ "family": family, "given": [given, "Maria"] }]);
        let body = json!({ "resourceType": "Patient", "id": id, "name": name, "active": id == "a", "birthDate": "1950-02-03" });
        assert_eq!(service.put(&format!("/fhir/Patient/{id}"), &body).await.status, 201);
    }
    for (query, want) in [
        ("name=mull", vec!["a"]),
        ("name=M%C3%9CLLER", vec!["a"]),
        ("name=maria", vec!["a", "b", "c"]),
        ("family:contains=mu", vec!["a", "b", "c"]),
        ("family:exact=Mueller", vec!["b"]),
        ("family:exact=mueller", vec![]),
        ("given=zoe,an", vec!["a", "b"]),
        ("given=zoe&given=an", vec![]),
        ("active=true", vec!["a"]),
        ("active:not=true", vec!["b", "c"]),
        ("birthdate=1950&active=true", vec!["a"]),
        ("birthdate=1950-02-03", vec!["a", "b", "c"]),
        ("birthdate=gt1950-02", vec![]),
        ("_sort=family", vec!["c", "b", "a"]),
    ] {
        let found = service.get(&format!("/fhir/Patient?{query}")).await;
        assert_eq!(ids(&found.json()), want, "{query}: {}", found.text());
    }
}
