//! Charting of an invented hospital, in the size and shape that records send: several codings, identifiers, offsets,
//! periods, performers and device references.

const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";
const KINDS: [(&str, &str); 5] = [
    ("oral-cleansing", "Mouth cleaned"),
    ("oral-moisturising", "Lips and mouth moistened"),
    ("tooth-brushing", "Teeth brushed"),
    ("oropharyngeal-suction-assessment", "Mouth and throat checked"),
    ("cuff-pressure-check", "Cuff pressure checked"),
];

/// An instant as a record in a zone two hours east of Greenwich writes it.
fn at(us: i64) -> String {
    let zone = chrono::FixedOffset::east_opt(7_200).unwrap();
    chrono::DateTime::from_timestamp_micros(us).unwrap().with_timezone(&zone).to_rfc3339()
}

/// Patients, encounters and ventilation of `stays` that begin at `start_us`.
pub fn admissions(stays: usize, start_us: i64) -> Vec<Vec<u8>> {
    admissions_apart(stays, start_us, 0)
}

/// The same, each `step_us` after the one before.
pub fn admissions_apart(stays: usize, start_us: i64, step_us: i64) -> Vec<Vec<u8>> {
    (0..stays)
        .flat_map(|i| {
            let start = at(start_us + i as i64 * step_us);
            let unit = i % 24;
            [
                format!(r#"{{"resourceType":"Patient","id":"p{i}","identifier":[{{"system":"http://hospital.example/mrn","value":"{}"}}],"name":[{{"family":"Invented{i}","given":["Person"]}}],"gender":"unknown"}}"#, 500_000 + i),
                format!(r#"{{"resourceType":"Encounter","id":"e{i}","status":"in-progress","class":{{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"}},"subject":{{"reference":"Patient/p{i}"}},"period":{{"start":"{start}"}},"location":[{{"location":{{"reference":"Location/unit-{unit}"}},"status":"active","period":{{"start":"{start}"}}}}]}}"#),
                format!(r#"{{"resourceType":"Procedure","id":"v{i}","status":"in-progress","code":{{"coding":[{{"system":"http://snomed.info/sct","code":"1258985005"}}]}},"subject":{{"reference":"Patient/p{i}"}},"encounter":{{"reference":"Encounter/e{i}"}},"performedPeriod":{{"start":"{start}"}}}}"#),
            ]
        })
        .map(String::into_bytes)
        .collect()
}

/// `per_stay` Procedures of each stay over `hours` from `start_us`, in the order of time over all stays.
pub fn care(stays: usize, per_stay: usize, start_us: i64, hours: i64) -> Vec<Vec<u8>> {
    let step = hours * 3_600_000_000 / per_stay as i64;
    (0..per_stay)
        .flat_map(|n| {
            (0..stays).map(move |i| {
                procedure(Some(format!("c{i}-{n}")), i, n, start_us + n as i64 * step + i as i64 * 1_000)
            })
        })
        .collect()
}

/// `count` more of the last five minutes before `now_us`, without ids, spread over the stays.
pub fn more_care(stays: usize, count: usize, now_us: i64) -> Vec<Vec<u8>> {
    (0..count).map(|n| procedure(None, n * 7 % stays, n, now_us - 300_000_000 + n as i64 * 1_000)).collect()
}

fn procedure(id: Option<String>, stay: usize, n: usize, us: i64) -> Vec<u8> {
    let (code, display) = KINDS[n % KINDS.len()];
    let (begun, ended, recorded) = (at(us - 240_000_000), at(us), at(us + 300_000_000));
    let id = id.map(|id| format!(r#""id":"{id}","#)).unwrap_or_default();
    // a record numbers its entries as they come
    let entry = us;
    format!(
        r#"{{"resourceType":"Procedure",{id}"meta":{{"lastUpdated":"{recorded}","source":"urn:uuid:0b5a77d0-5f6e-4c1a-9f4e-{n:012x}","profile":["http://hospital.example/fhir/StructureDefinition/bedside-procedure"]}},"identifier":[{{"use":"usual","type":{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"FILL","display":"Filler Identifier"}}]}},"system":"http://hospital.example/charting","value":"{entry}"}}],"status":"completed","category":{{"coding":[{{"system":"http://hospital.example/categories","code":"bedside","display":"Care at the bedside"}}]}},"code":{{"coding":[{{"system":"{ACTIVITY}","code":"{code}","display":"{display}"}},{{"system":"http://hospital.example/rows","code":"R-{}","display":"{display}, as charted"}}],"text":"{display}"}},"subject":{{"reference":"Patient/p{stay}"}},"encounter":{{"reference":"Encounter/e{stay}"}},"performedPeriod":{{"start":"{begun}","end":"{ended}"}},"performer":[{{"function":{{"coding":[{{"system":"http://hospital.example/roles","code":"nurse","display":"Nurse at the bedside"}}]}},"actor":{{"reference":"Practitioner/n-{}","display":"Nurse {}"}}}}],"location":{{"reference":"Location/unit-{}"}},"note":[{{"text":"Tolerated well; mouth pink and moist, no bleeding seen."}}]}}"#,
        n % KINDS.len(),
        n % 97,
        n % 97,
        stay % 24,
    )
    .into_bytes()
}

/// A Bundle of documents: those with an id are put, the others posted.
pub fn bundle(documents: &[Vec<u8>]) -> Vec<u8> {
    let mut out = br#"{"resourceType":"Bundle","type":"collection","entry":["#.to_vec();
    for (i, document) in documents.iter().enumerate() {
        if i > 0 {
            out.push(b',');
        }
        out.extend_from_slice(br#"{"resource":"#);
        out.extend_from_slice(document);
        out.push(b'}');
    }
    out.extend_from_slice(b"]}");
    out
}
