//! How fast documents are scanned and read: `cargo bench -p fhir-models`.
//!
//! Prints the best of several rounds, since other work on the machine only ever slows one down.

use std::hint::black_box;
use std::time::Instant;

use fhir_models::bundle::BundleRef;
use fhir_models::json::{scan, with_id_and_meta};
use fhir_models::{Observation, Procedure, Resource, parse, parse_scanned, validate};

/// A mouth care Procedure as an EHR sends it, about 1.3 kB.
const PROCEDURE: &str = r#"{"resourceType":"Procedure","id":"mc-000481516","meta":{"versionId":"1","lastUpdated":"2026-01-02T03:06:11.482+01:00","profile":["http://hl7.org/fhir/StructureDefinition/Procedure"]},"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Oral care with chlorhexidine, suction, lips moistened</div>"},"identifier":[{"system":"urn:oid:1.2.36.146.595.217.0.1","value":"481516"}],"status":"completed","category":{"coding":[{"system":"http://snomed.info/sct","code":"225358003","display":"Wound care"}]},"code":{"coding":[{"system":"http://snomed.info/sct","code":"717778001","display":"Oral care"},{"system":"http://ehr.example.org/flowsheet","code":"FS-3041","display":"MOUTH CARE"}],"text":"Mouth care"},"subject":{"reference":"Patient/p-20117","display":"Bed 7"},"encounter":{"reference":"Encounter/e-88213"},"performedPeriod":{"start":"2026-01-02T02:55:00+01:00","end":"2026-01-02T03:05:00+01:00"},"recorder":{"reference":"Practitioner/n-311"},"performer":[{"function":{"coding":[{"system":"http://snomed.info/sct","code":"224535009","display":"Registered nurse"}]},"actor":{"reference":"Practitioner/n-311"}}],"location":{"reference":"Location/icu-7"},"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"123851003","display":"Mouth region structure"}]}],"note":[{"text":"Tolerated well."}]}"#;

const OBSERVATION: &str = r#"{"resourceType":"Observation","id":"o-1","status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}],"code":{"coding":[{"system":"http://loinc.org","code":"19994-3","display":"Oxygen/Total gas setting [Volume Fraction] Ventilator"}]},"subject":{"reference":"Patient/p-20117"},"encounter":{"reference":"Encounter/e-88213"},"effectiveDateTime":"2026-01-02T03:00:00+01:00","valueQuantity":{"value":40.0,"unit":"%","system":"http://unitsofmeasure.org","code":"%"}}"#;

/// Best microseconds for one call of `work`.
fn best_us(calls: u32, mut work: impl FnMut()) -> f64 {
    const ROUNDS: usize = 50;
    let mut best = f64::INFINITY;
    for _ in 0..ROUNDS {
        let start = Instant::now();
        for _ in 0..calls {
            work();
        }
        best = best.min(start.elapsed().as_secs_f64() * 1e6 / f64::from(calls));
    }
    best
}

fn report(name: &str, bytes: usize, work: impl FnMut()) {
    // Rounds of a millisecond or so: short enough that some have the processor to themselves
    let calls = u32::try_from(600_000 / bytes).unwrap_or(1).max(1);
    let us = best_us(calls, work);
    println!("{name:<34} {us:>9.2} us {:>8.0} MB/s ({bytes} bytes)", bytes as f64 / us);
}

fn main() {
    let procedure = PROCEDURE.as_bytes();
    report("scan Procedure", procedure.len(), || {
        black_box(scan(black_box(procedure))).ok();
    });
    report("parse_scanned Procedure", procedure.len(), || {
        black_box(parse_scanned::<Procedure>(black_box(procedure))).ok();
    });
    report("parse Procedure", procedure.len(), || {
        black_box(parse::<Procedure>(black_box(procedure))).ok();
    });
    report("serde_json::Value, for comparison", procedure.len(), || {
        black_box(serde_json::from_slice::<serde_json::Value>(black_box(procedure))).ok();
    });
    report("with_id_and_meta Procedure", procedure.len(), || {
        black_box(with_id_and_meta(black_box(procedure), "p1", "7", "2026-01-02T03:04:05Z")).ok();
    });
    let Ok(read) = parse::<Procedure>(procedure) else { return println!("the Procedure does not parse") };
    report("validate Procedure", procedure.len(), || {
        black_box(validate(black_box(&read), procedure));
    });
    report("write Procedure", procedure.len(), || {
        black_box(black_box(&read).write());
    });
    let observation = OBSERVATION.as_bytes();
    report("scan Observation", observation.len(), || {
        black_box(scan(black_box(observation))).ok();
    });
    report("parse_scanned Observation", observation.len(), || {
        black_box(parse_scanned::<Observation>(black_box(observation))).ok();
    });
    let entries = vec![format!("{{\"resource\":{PROCEDURE}}}"); 100].join(",");
    let bundle = format!(r#"{{"resourceType":"Bundle","type":"collection","entry":[{entries}]}}"#);
    report("scan Bundle of 100", bundle.len(), || {
        black_box(scan(black_box(bundle.as_bytes()))).ok();
    });
    report("BundleRef of 100", bundle.len(), || {
        black_box(BundleRef::parse_scanned(black_box(bundle.as_bytes()))).ok();
    });
    println!(
        "size of Procedure {} bytes, of Observation {}",
        size_of::<Procedure>(),
        size_of::<Observation>()
    );
}
