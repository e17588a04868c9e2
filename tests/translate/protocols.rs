//! PlanDefinition to protocol.

use serde_json::{Value, json};
use terce::care::protocol::{Kind, Protocol};
use terce::translate::codes::Codes;
use terce::translate::protocol::{TOLERANCE, protocol};
use terce::translate::shipped;

use super::record::{ACTIVITY, check, with};

const UCUM: &str = "http://unitsofmeasure.org";

fn codes() -> Codes {
    let set = json!({ "resourceType": "ValueSet", "id": "tracheostomy", "status": "active",
        "compose": { "include": [{ "system": "urn:s", "concept": [{ "code": "T" }] }] } });
    Codes::of_site(&[], &[("tracheostomy".into(), serde_json::to_vec(&set).unwrap())]).0
}

fn plan(actions: Value) -> Value {
    json!({ "resourceType": "PlanDefinition", "id": "x", "status": "active", "action": actions })
}

fn action(more: Value) -> Value {
    let code = json!([{ "coding": [{ "system": ACTIVITY, "code": "oral-cleansing" }] }]);
    with(json!({ "id": "a", "title": "A", "code": code }), more)
}

fn timing(repeat: Value) -> Value {
    json!({ "timingTiming": { "repeat": repeat } })
}

fn every() -> Value {
    timing(json!({ "frequency": 1, "period": 2, "periodMax": 4, "periodUnit": "h" }))
}

fn minutes(value: Value) -> Value {
    json!({ "value": value, "unit": "min", "system": UCUM, "code": "min" })
}

fn after(more: Value) -> Value {
    json!({ "relatedAction": [with(json!({ "actionId": "a", "relationship": "after-end", "offsetDuration": minutes(json!(30)) }), more)] })
}

fn read(plan: &Value) -> String {
    match protocol("x", &serde_json::to_vec(plan).unwrap(), &codes()) {
        Ok(protocol) => told(&protocol),
        Err(refusals) => refusals.iter().map(|r| format!("{}: {}\n", r.path, r.why)).collect(),
    }
}

/// The paths of what is refused.
fn refused(plan: &Value) -> String {
    match protocol("x", &serde_json::to_vec(plan).unwrap(), &codes()) {
        Ok(protocol) => told(&protocol),
        Err(refusals) => refusals.iter().map(|r| format!("{}\n", r.path)).collect(),
    }
}

fn told(protocol: &Protocol) -> String {
    let mut out = String::new();
    for r in &protocol.requirements {
        let kind = match &r.kind {
            Kind::Every { target, limit } => format!("every {target} to {limit}"),
            Kind::PerDay { times } => format!("{times} a day"),
            Kind::At { times, tolerance } => {
                let times: Vec<String> = times.iter().map(ToString::to_string).collect();
                format!("at {} +- {tolerance}", times.join(" "))
            }
            Kind::After { requirement, within } => {
                format!("within {within} after {}", protocol.requirements[*requirement].id)
            }
        };
        let condition = r.condition.as_ref().map(|c| format!(" if {c}")).unwrap_or_default();
        let steps = if r.steps.is_empty() { String::new() } else { format!(", {} steps", r.steps.len()) };
        out += &format!("{}: {kind} {:?}{condition}{steps}\n", r.id, r.activities);
    }
    out
}

#[test]
fn the_shipped_plans_are_protocols() {
    let read = |id: &str| {
        let protocol = protocol(id, shipped::document("PlanDefinition", id).unwrap().body, &Codes::shipped());
        protocol.unwrap_or_else(|refusals| panic!("{id}: {refusals:?}"))
    };
    let minimal = "
        clean: every 2 h to 4 h [oral-cleansing, tooth-brushing]
        brush: 2 a day [tooth-brushing]";
    let rest = "
        suction-assessment: every 4 h to 4 h [oropharyngeal-suction-assessment]
        suction-set: every 24 h to 24 h [suction-set-change]
        cuff-pressure: every 8 h to 8 h [cuff-pressure-check]";
    check("minimal", &told(&read("minimal")), minimal);
    let moisten = "moisten: within 30 min after clean [oral-moisturising]";
    check("adult", &told(&read("adult")), &format!("{minimal}\n{moisten}\n{rest}"));
    let fixed = read("adult-fixed-times");
    check(
        "adult-fixed-times",
        &told(&fixed),
        &format!(
            "
        swab-session: at 00:00:00 04:00:00 12:00:00 16:00:00 +- 1 h [oral-cleansing, tooth-brushing], 8 steps
        brush-session: at 08:00:00 20:00:00 +- 1 h [tooth-brushing], 8 steps
        moisten: within 30 min after swab-session [oral-moisturising]
        {rest}"
        ),
    );
    assert_eq!((&*fixed.name, &*fixed.version), ("adult-fixed-times", "0.1.0"));
    assert!(fixed.requirements[1].steps[0].contains("sedation"), "{:?}", fixed.requirements[1].steps);
}

#[test]
fn each_kind_is_read() {
    let cases = [
        (every(), "a: every 2 h to 4 h [oral-cleansing]"),
        (
            timing(json!({ "period": 90, "periodUnit": "min" })),
            "a: every 1 h 30 min to 1 h 30 min [oral-cleansing]",
        ),
        (
            timing(json!({ "frequency": 1, "period": 1.5, "periodUnit": "h" })),
            "a: every 1 h 30 min to 1 h 30 min [oral-cleansing]",
        ),
        (
            timing(json!({ "frequency": 2, "frequencyMax": 4, "period": 1, "periodUnit": "d" })),
            "a: 2 a day [oral-cleansing]",
        ),
        (timing(json!({ "period": 1.0, "periodUnit": "d" })), "a: 1 a day [oral-cleansing]"),
        (
            timing(json!({ "timeOfDay": ["20:00:00", "08:00:00"] })),
            "a: at 08:00:00 20:00:00 +- 1 h [oral-cleansing]",
        ),
        (
            timing(
                json!({ "timeOfDay": ["08:00:00"], "extension": [{ "url": TOLERANCE, "valueDuration": minutes(json!(45)) }] }),
            ),
            "a: at 08:00:00 +- 45 min [oral-cleansing]",
        ),
        (
            with(
                every(),
                json!({ "condition": [{ "kind": "applicability",
                "expression": { "language": "text/plain", "expression": "tracheostomy" } }] }),
            ),
            "a: every 2 h to 4 h [oral-cleansing] if tracheostomy",
        ),
    ];
    for (more, expected) in cases {
        let name = more.to_string();
        check(&name, &read(&plan(json!([action(more)]))), expected);
    }
    let b = |more| plan(json!([action(every()), action(with(more, json!({ "id": "b" })))]));
    let first = "a: every 2 h to 4 h [oral-cleansing]";
    check(
        "after",
        &read(&b(after(json!({})))),
        &format!("{first}\nb: within 30 min after a [oral-cleansing]"),
    );
    let range = json!({ "offsetDuration": null, "offsetRange": { "low": minutes(json!(0)), "high": minutes(json!(20)) } });
    check(
        "after, by range",
        &read(&b(after(range))),
        &format!("{first}\nb: within 20 min after a [oral-cleansing]"),
    );
}

#[test]
fn what_would_change_the_cadence_is_refused_with_its_path() {
    let repeat = |more: Value| timing(with(json!({ "frequency": 1, "period": 2, "periodUnit": "h" }), more));
    let at = |more: Value| timing(with(json!({ "timeOfDay": ["08:00:00"] }), more));
    let base = "timingTiming.repeat";
    let cases = [
        (repeat(json!({ "when": ["MORN"] })), vec![format!("{base}.when")]),
        (
            repeat(json!({ "when": ["AC"], "offset": 30 })),
            vec![format!("{base}.when"), format!("{base}.offset")],
        ),
        (
            repeat(json!({ "count": 3, "countMax": 4 })),
            vec![format!("{base}.count"), format!("{base}.countMax")],
        ),
        (repeat(json!({ "boundsPeriod": { "start": "2026-03-01" } })), vec![format!("{base}.bounds[x]")]),
        (repeat(json!({ "duration": 5, "durationUnit": "min" })), vec![format!("{base}.duration")]),
        (repeat(json!({ "dayOfWeek": ["mon"] })), vec![format!("{base}.dayOfWeek")]),
        (repeat(json!({ "frequency": 2 })), vec![format!("{base}.frequency")]),
        (repeat(json!({ "periodMax": 1 })), vec![format!("{base}.periodMax")]),
        (repeat(json!({ "period": 0 })), vec![format!("{base}.period")]),
        (repeat(json!({ "period": 1e9 })), vec![format!("{base}.period")]),
        (repeat(json!({ "period": -2 })), vec![format!("{base}.period")]),
        (repeat(json!({ "period": null })), vec![format!("{base}.period")]),
        (repeat(json!({ "period": 2, "periodUnit": "d" })), vec![format!("{base}.period")]),
        (
            repeat(json!({ "period": 1, "periodMax": 2, "periodUnit": "d" })),
            vec![format!("{base}.periodMax")],
        ),
        (repeat(json!({ "periodUnit": "wk" })), vec![format!("{base}.periodUnit")]),
        (repeat(json!({ "periodUnit": null })), vec![format!("{base}.periodUnit")]),
        (
            repeat(json!({ "frequency": 4, "frequencyMax": 2, "period": 1, "periodUnit": "d" })),
            vec![format!("{base}.frequencyMax")],
        ),
        (at(json!({ "frequency": 1 })), vec![format!("{base}.frequency")]),
        (
            at(json!({ "period": 1, "periodUnit": "d" })),
            vec![format!("{base}.period"), format!("{base}.periodUnit")],
        ),
        (at(json!({ "timeOfDay": ["08:00:00", "08:00:00"] })), vec![format!("{base}.timeOfDay")]),
        (
            at(json!({ "extension": [{ "url": TOLERANCE, "valueDuration": minutes(json!(0)) }] })),
            vec![format!("{base}.extension")],
        ),
        (
            at(json!({ "extension": [{ "url": TOLERANCE, "valueString": "1 h" }] })),
            vec![format!("{base}.extension")],
        ),
        (
            json!({ "timingTiming": { "event": ["2026-03-01"] } }),
            vec!["timingTiming.event".into(), "timingTiming.repeat".into()],
        ),
        (
            with(
                every(),
                json!({ "timingTiming": { "code": { "coding": [{ "code": "BID" }] },
            "repeat": { "period": 2, "periodUnit": "h" } } }),
            ),
            vec!["timingTiming.code".into()],
        ),
        (json!({ "timingDateTime": "2026-03-01" }), vec!["timingDateTime".into()]),
        (json!({ "timingPeriod": { "start": "2026-03-01" } }), vec!["timingPeriod".into()]),
        (json!({ "timingDuration": minutes(json!(5)) }), vec!["timingDuration".into()]),
        (json!({ "timingAge": { "value": 5, "system": UCUM, "code": "a" } }), vec!["timingAge".into()]),
        (json!({ "timingRange": { "high": minutes(json!(5)) } }), vec!["timingRange".into()]),
        (json!({}), vec![String::new()]),
        (with(every(), json!({ "code": null })), vec!["code".into()]),
        (with(every(), json!({ "code": [{ "text": "mouth care" }] })), vec!["code[0]".into()]),
        (with(every(), json!({ "id": null })), vec!["id".into()]),
        (with(every(), json!({ "dynamicValue": [{ "path": "title" }] })), vec!["dynamicValue".into()]),
        (
            with(every(), json!({ "trigger": [{ "type": "named-event", "name": "x" }] })),
            vec!["trigger".into()],
        ),
        (with(every(), json!({ "definitionCanonical": "urn:d" })), vec!["definition[x]".into()]),
        (with(every(), json!({ "requiredBehavior": "could" })), vec!["requiredBehavior".into()]),
        (with(every(), json!({ "selectionBehavior": "exactly-one" })), vec!["selectionBehavior".into()]),
        (with(every(), json!({ "condition": [{ "kind": "stop" }] })), vec!["condition[0].kind".into()]),
        (
            with(every(), json!({ "condition": [{ "kind": "applicability" }, { "kind": "applicability" }] })),
            vec!["condition".into()],
        ),
        (
            with(
                every(),
                json!({ "condition": [{ "kind": "applicability", "expression": { "language": "text/cql", "expression": "x" } }] }),
            ),
            vec!["condition[0].expression.language".into()],
        ),
        (
            with(
                every(),
                json!({ "condition": [{ "kind": "applicability", "expression": { "language": "text/plain", "expression": "x" } }] }),
            ),
            vec!["condition[0].expression.expression".into()],
        ),
        (
            with(every(), json!({ "action": [with(every(), json!({ "title": "s" }))] })),
            vec!["action[0].timing[x]".into()],
        ),
        (
            with(
                every(),
                json!({ "action": [{ "title": "s", "action": [{ "title": "t" }] }, { "prefix": "2" }] }),
            ),
            vec!["action[0].action".into(), "action[1].title".into()],
        ),
        (with(every(), json!({ "action": [{ "id": "a", "title": "s" }] })), vec!["action[0].id".into()]),
    ];
    for (more, paths) in cases {
        let expected: Vec<String> = paths
            .iter()
            .map(|p| {
                if p.is_empty() {
                    "PlanDefinition.action[0]".into()
                } else {
                    format!("PlanDefinition.action[0].{p}")
                }
            })
            .collect();
        let name = more.to_string();
        check(&name, &refused(&plan(json!([action(more)]))), &expected.join("\n"));
    }
}

#[test]
fn care_that_follows_care_must_follow_something() {
    let b = |more: Value| {
        refused(&plan(json!([action(every()), action(with(after(more), json!({ "id": "b" })))])))
    };
    let path = "PlanDefinition.action[1].relatedAction[0]";
    let cases = [
        (json!({ "actionId": "gone" }), "actionId"),
        (json!({ "actionId": "b" }), "actionId"),
        (json!({ "relationship": "after" }), "relationship"),
        (json!({ "relationship": "before-start" }), "relationship"),
        (json!({ "offsetDuration": null }), "offset[x]"),
        (json!({ "offsetDuration": { "value": 30, "unit": "min" } }), "offsetDuration"),
        (json!({ "offsetDuration": { "value": 1, "system": UCUM, "code": "d" } }), "offsetDuration"),
        (
            json!({ "offsetDuration": with(minutes(json!(30)), json!({ "comparator": "<" })) }),
            "offsetDuration",
        ),
        (json!({ "offsetDuration": minutes(json!(0)) }), "offsetDuration"),
        (
            json!({ "offsetDuration": null, "offsetRange": { "low": minutes(json!(10)), "high": minutes(json!(20)) } }),
            "offsetRange.low",
        ),
        (json!({ "offsetDuration": null, "offsetRange": { "low": minutes(json!(0)) } }), "offsetRange.high"),
    ];
    for (more, element) in cases {
        let name = more.to_string();
        check(&name, &b(more), &format!("{path}.{element}"));
    }
    let both = with(after(json!({})), every());
    check(
        "both",
        &refused(&plan(json!([action(every()), action(with(both, json!({ "id": "b" })))]))),
        "PlanDefinition.action[1].relatedAction",
    );
    let two = json!({ "relatedAction": [after(json!({}))["relatedAction"][0], after(json!({}))["relatedAction"][0]] });
    check(
        "two",
        &refused(&plan(json!([action(every()), action(with(two, json!({ "id": "b" })))]))),
        "PlanDefinition.action[1].relatedAction",
    );
    let circle = json!([
        action(with(after(json!({ "actionId": "b" })), json!({ "id": "a" }))),
        action(with(after(json!({ "actionId": "a" })), json!({ "id": "b" }))),
    ]);
    check(
        "circle",
        &refused(&plan(circle)),
        "
        PlanDefinition.action[0].relatedAction[0].actionId
        PlanDefinition.action[1].relatedAction[0].actionId",
    );
}

#[test]
fn everything_that_is_wrong_is_said_at_once() {
    let actions = json!([
        action(timing(json!({ "when": ["MORN"], "period": 2, "periodUnit": "h" }))),
        action(json!({ "code": null }))
    ]);
    let plan =
        with(plan(actions), json!({ "status": "retired", "effectivePeriod": { "start": "2026-01-01" } }));
    check(
        "all",
        &refused(&plan),
        "
        PlanDefinition.status
        PlanDefinition.effectivePeriod
        PlanDefinition.action[1].id
        PlanDefinition.action[0].timingTiming.repeat.when
        PlanDefinition.action[1].code
        PlanDefinition.action[1]",
    );
}

#[test]
fn what_is_not_r4_is_refused_with_its_path() {
    check(
        "a unit in words",
        &refused(&plan(json!([action(timing(json!({ "period": 2, "periodUnit": "hours" })))]))),
        "PlanDefinition.action[0].timingTiming.repeat.periodUnit",
    );
    check(
        "no actions",
        &refused(&json!({ "resourceType": "PlanDefinition", "status": "active" })),
        "PlanDefinition.action",
    );
    let modifier = json!({ "modifierExtension": [{ "url": "urn:x", "valueBoolean": true }] });
    check("modifier", &refused(&plan(json!([action(with(every(), modifier))]))), "PlanDefinition");
}
