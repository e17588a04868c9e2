//! Order, duplicates, splits, files, threads and memory change nothing.

use std::io::Write;

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use terce::replay::{Replay, merge};

use super::{asked, export, file, files, run};

fn few() -> ProptestConfig {
    ProptestConfig {
        cases: 24,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(11),
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(few())]

    #[test]
    fn lines_in_any_order_twice_and_in_any_files_give_the_same_bytes(
        order in Just((0..4_000_usize).collect::<Vec<_>>()).prop_shuffle(),
        again in proptest::collection::vec(any::<prop::sample::Index>(), 0..200),
        files_of in 1..5_usize,
        threads in 1..4_usize,
        memory in prop::sample::select(vec![0_usize, 4_096, 64 << 20]),
    ) {
        let lines: Vec<String> = export::stays(12).into_iter().flat_map(|s| s.lines).collect();
        let folder = tempfile::tempdir().unwrap();
        let whole = asked(&[file(folder.path(), "all.ndjson", &lines)], &folder.path().join("whole"));
        run(&whole);
        let mut mixed: Vec<String> = order.iter().filter_map(|n| lines.get(*n).cloned()).collect();
        again.iter().for_each(|index| mixed.push(index.get(&lines).clone()));
        let split = |(n, some): (usize, &[String])| file(folder.path(), &format!("{n}.ndjson"), some);
        let inputs: Vec<_> = mixed.chunks(mixed.len().div_ceil(files_of)).enumerate().map(split).collect();
        let out = folder.path().join("mixed");
        run(&Replay { threads, memory, ..asked(&inputs, &out) });
        prop_assert_eq!(files(&whole.out), files(&out));
    }

    #[test]
    fn outputs_of_a_split_by_stay_add_up_to_the_output_of_the_whole(
        part_of in proptest::collection::vec(0..3_usize, 12)
    ) {
        let stays = export::stays(12);
        let folder = tempfile::tempdir().unwrap();
        let all: Vec<String> = stays.iter().flat_map(|s| s.lines.clone()).collect();
        let whole = asked(&[file(folder.path(), "all.ndjson", &all)], &folder.path().join("whole"));
        run(&whole);
        let mut parts = Vec::new();
        for part in 0..3 {
            let own = stays.iter().zip(&part_of).filter(|(_, p)| **p == part).flat_map(|(s, _)| s.lines.clone());
            let input = file(folder.path(), &format!("{part}.ndjson"), &own.collect::<Vec<_>>());
            let out = folder.path().join(format!("part{part}"));
            run(&asked(&[input], &out));
            parts.push(out);
        }
        let merged = folder.path().join("merged");
        merge(&parts, &merged).unwrap();
        let mut both = [files(&whole.out), files(&merged)];
        prop_assert!(both[0].len() > 8);
        prop_assert_eq!(both[0].split_off(0), both[1].split_off(0));
    }
}

#[test]
fn hospitals_with_codes_of_their_own_add_up_and_what_was_counted_differently_does_not() {
    let stays = export::stays(2);
    let folder = tempfile::tempdir().unwrap();
    let part = |n: usize, change: &dyn Fn(&mut Replay)| {
        let out = folder.path().join(format!("part{n}"));
        let mut asked = asked(&[file(folder.path(), &format!("{n}.ndjson"), &stays[n].lines)], &out);
        change(&mut asked);
        let summary = run(&asked);
        (out, summary.tally)
    };
    let map = "{\"resourceType\":\"ConceptMap\",\"id\":\"local\",\"status\":\"active\"}";
    let local = |asked: &mut Replay| asked.setup.maps.push(("local".to_owned(), map.to_owned()));
    let ((first, mut sum), (second, more)) = (part(0, &|_| {}), part(1, &local));
    sum.merge(&more);
    let merged = folder.path().join("merged");
    let manifest = merge(&[first.clone(), second.clone()], &merged).unwrap();
    assert_eq!((manifest.stays, manifest.setup.maps.len()), (2, 1));
    let comparison = terce::replay::compare(&merged, &merged).unwrap();
    let met: u32 = sum.cells.values().map(|c| c.met).sum();
    assert!(met > 0 && comparison.rows[0].cells[0].unwrap().met == met);

    let refused =
        |parts: &[std::path::PathBuf], out: &std::path::Path| merge(parts, out).unwrap_err().to_string();
    let (earlier, _) = part(1, &|asked| asked.until = Some(super::instant("2026-03-19T00:00:00Z")));
    assert!(refused(&[first.clone(), earlier], &merged).contains("give --until"));
    let (other, _) = part(1, &|asked| asked.setup.protocol = Some("minimal".to_owned()));
    assert!(refused(&[first.clone(), other], &merged).contains("another configuration"));
    assert!(refused(std::slice::from_ref(&first), &first).contains("cannot be both"));
}

#[test]
fn compressed_files_folders_and_bundles_say_the_same() {
    let lines: Vec<String> = export::stays(5).into_iter().flat_map(|s| s.lines).collect();
    let folder = tempfile::tempdir().unwrap();
    let whole = asked(&[file(folder.path(), "all.ndjson", &lines)], &folder.path().join("whole"));
    run(&whole);
    let (first, rest) = lines.split_at(lines.len() / 3);
    let (second, third) = rest.split_at(rest.len() / 2);
    let inputs = folder.path().join("in");
    std::fs::create_dir(&inputs).unwrap();
    // two members one after the other are one gzip file
    let mut zipped = std::fs::File::create(inputs.join("a.ndjson.gz")).unwrap();
    for half in first.chunks(first.len().div_ceil(2)) {
        let mut member = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        member.write_all(half.concat().as_bytes()).unwrap();
        zipped.write_all(&member.finish().unwrap()).unwrap();
    }
    let packed = zstd::encode_all(second.concat().as_bytes(), 1).unwrap();
    std::fs::write(inputs.join("b.ndjson.zst"), packed).unwrap();
    let entries: Vec<String> = third.iter().map(|l| format!("{{\"resource\":{}}}", l.trim())).collect();
    let bundle =
        format!("{{\"resourceType\":\"Bundle\",\"type\":\"collection\",\"entry\":[{}]}}", entries.join(","));
    std::fs::write(inputs.join("c.json"), bundle).unwrap();
    let out = folder.path().join("other");
    run(&asked(&[inputs], &out));
    assert_eq!(files(&whole.out), files(&out));
}
