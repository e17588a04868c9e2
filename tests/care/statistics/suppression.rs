//! Small numbers stay hidden from whoever can add and subtract.

use terce::care::statistics::suppress::{Counts, Line, hidden};

use crate::care::dice::Dice;

fn cells(counts: &[u64]) -> Vec<Counts> {
    counts.iter().map(|c| vec![*c]).collect()
}

/// The first cell is the total of the others.
fn one_line(counts: &[u64], threshold: u64) -> Vec<bool> {
    let line = Line { total: 0, parts: (1..counts.len()).collect() };
    hidden(&cells(counts), &[line], threshold)
}

#[test]
fn a_small_part_takes_the_next_smallest_with_it() {
    assert_eq!(one_line(&[60, 3, 40, 17], 5), [false, true, false, true]);
    assert_eq!(one_line(&[57, 0, 40, 17], 5), [false; 4], "0 is not a small number");
    assert_eq!(one_line(&[60, 3, 40, 17], 3), [false; 4]);
    assert_eq!(one_line(&[60, 3, 40, 17], 0), [false; 4], "nothing is small");
}

#[test]
fn small_parts_that_are_small_together_take_another() {
    // shown 8 of 10: two hidden cells of 2 in all can only be 1 and 1
    assert_eq!(one_line(&[10, 1, 1, 8], 5), [false, true, true, true]);
    assert_eq!(one_line(&[13, 3, 2, 8], 5), [false, true, true, false]);
}

#[test]
fn a_total_is_hidden_where_a_part_has_no_other_to_hide_with() {
    assert_eq!(one_line(&[3, 3, 0], 5), [true, true, false]);
    assert_eq!(one_line(&[4, 4], 5), [true, true]);
}

#[test]
fn counts_of_one_cell_are_hidden_together() {
    let table = [vec![100, 60], vec![40, 38], vec![30, 20], vec![30, 2]];
    let line = Line { total: 0, parts: vec![1, 2, 3] };
    assert_eq!(hidden(&table, &[line], 5), [false, false, true, true]);
}

/// Two ways to divide the same total: what one of them hides, the other must not give away.
#[test]
fn rows_and_columns_are_watched_together() {
    // 3 units by 2 shifts, with the totals of both and of all
    let inside = [[3_u64, 20], [30, 25], [40, 22]];
    let (table, lines) = crossed(&inside);
    let hidden = hidden(&table, &lines, 5);
    assert!(hidden[0], "the small one");
    assert_eq!(computable(&table, &lines, &hidden), Vec::<usize>::new());
    assert!(hidden.iter().filter(|h| **h).count() < hidden.len() / 2, "the rest is shown");
}

/// Cells of rows and columns, then the totals of rows, of columns, of all.
fn crossed<const W: usize>(inside: &[[u64; W]]) -> (Vec<Counts>, Vec<Line>) {
    let height = inside.len();
    let mut values: Vec<u64> = inside.concat();
    values.extend(inside.iter().map(|row| row.iter().sum::<u64>()));
    values.extend((0..W).map(|x| inside.iter().map(|row| row[x]).sum::<u64>()));
    values.push(inside.concat().iter().sum());
    let (rows, columns) = (height * W, height * W + height);
    let mut lines: Vec<Line> =
        (0..height).map(|y| Line { total: rows + y, parts: (y * W..(y + 1) * W).collect() }).collect();
    lines
        .extend((0..W).map(|x| Line { total: columns + x, parts: (0..height).map(|y| y * W + x).collect() }));
    lines.push(Line { total: columns + W, parts: (rows..columns).collect() });
    lines.push(Line { total: columns + W, parts: (columns..columns + W).collect() });
    (cells(&values), lines)
}

/// The hidden cells that a snooper computes: by floating-point elimination, a way of its own.
fn computable(table: &[Counts], lines: &[Line], hidden: &[bool]) -> Vec<usize> {
    let columns: Vec<usize> = (0..table.len()).filter(|c| hidden[*c]).collect();
    let coefficient = |line: &Line, cell: &usize| {
        f64::from(u8::from(line.parts.contains(cell))) - f64::from(u8::from(line.total == *cell))
    };
    let mut rows: Vec<Vec<f64>> =
        lines.iter().map(|line| columns.iter().map(|c| coefficient(line, c)).collect()).collect();
    let mut done = 0;
    for column in 0..columns.len() {
        let best =
            (done..rows.len()).max_by(|a, b| rows[*a][column].abs().total_cmp(&rows[*b][column].abs()));
        let Some(best) = best.filter(|row| rows[*row][column].abs() > 1e-9) else { continue };
        rows.swap(done, best);
        let scale = rows[done][column];
        rows[done].iter_mut().for_each(|v| *v /= scale);
        let pivot = rows[done].clone();
        for (_, row) in rows.iter_mut().enumerate().filter(|(at, _)| *at != done) {
            let factor = row[column];
            row.iter_mut().zip(&pivot).for_each(|(v, p)| *v -= factor * p);
        }
        done += 1;
    }
    let lone = rows.iter().filter_map(|row| {
        let set: Vec<usize> = (0..row.len()).filter(|c| row[*c].abs() > 1e-9).collect();
        (set.len() == 1).then(|| columns[set[0]])
    });
    lone.collect()
}

#[test]
fn no_hidden_cell_of_random_tables_can_be_computed() {
    for seed in 0..1_500 {
        let mut dice = Dice::new(seed);
        let most = *dice.pick(&[4, 12, 60]);
        let count = |dice: &mut Dice| u64::try_from(dice.below(most)).unwrap();
        let inside: Vec<[u64; 3]> =
            (0..1 + dice.below(6)).map(|_| [count(&mut dice), count(&mut dice), count(&mut dice)]).collect();
        let (table, lines) = crossed(&inside);
        let threshold = *dice.pick(&[3, 5, 11]);
        let hidden = hidden(&table, &lines, threshold);
        assert_eq!(computable(&table, &lines, &hidden), Vec::<usize>::new(), "seed {seed}: {inside:?}");
        for (counts, hidden) in table.iter().zip(&hidden) {
            assert!(*hidden || counts[0] == 0 || counts[0] >= threshold, "seed {seed}");
        }
        for line in lines.iter().filter(|line| !hidden[line.total]) {
            let together: u64 = line.parts.iter().filter(|p| hidden[**p]).map(|p| table[*p][0]).sum();
            assert!(together == 0 || together >= threshold, "seed {seed}: {inside:?}");
        }
    }
}
