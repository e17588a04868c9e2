//! What is wrong with a file, each with its line; all of it at once.

use std::ops::Range;

use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Faults of one file that are told: more than anybody mends before trying again.
const MOST: usize = 100;

/// Something that is wrong with a file.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Wrong {
    /// Its line, from 1; none: it is about what is not there.
    pub(super) line: Option<usize>,
    /// Which setting, and what to do.
    pub(super) why: String,
}

/// Reads a file as it is written.
///
/// # Errors
/// Every fault of its syntax; without any, every setting that is unknown or of another kind than it should be.
pub(super) fn read<T: DeserializeOwned>(text: &str) -> Result<T, Vec<Wrong>> {
    let (_, faults) = DeTable::parse_recoverable(text);
    if !faults.is_empty() {
        return Err(faults.iter().take(MOST).map(|fault| told(text, fault)).collect());
    }
    let mut rest = text.to_owned();
    let (mut wrong, mut passed): (Vec<Wrong>, Vec<Range<usize>>) = (Vec::new(), Vec::new());
    loop {
        match toml::from_str::<T>(&rest) {
            Ok(read) if wrong.is_empty() => return Ok(read),
            Ok(_) => break,
            Err(fault) => {
                // what is passed over moves nothing: places are those of the whole text
                let around = fault.span().and_then(|span| around(text, &span));
                // a table may lack what was passed over
                let follows = around.as_ref().is_some_and(|around| {
                    passed.iter().any(|before| around.start <= before.start && before.end <= around.end)
                });
                if !follows {
                    wrong.push(told(text, &fault));
                }
                // what is wrong is passed over, to see what else is
                match around.and_then(|around| Some((without(&rest, &around)?, around))) {
                    Some((without, around)) if wrong.len() < MOST => {
                        rest = without;
                        passed.push(around);
                    }
                    Some(_) | None => break,
                }
            }
        }
    }
    wrong.sort();
    Err(wrong)
}

fn told(text: &str, fault: &toml::de::Error) -> Wrong {
    let line = fault.span().map(|span| line_at(text, span.start));
    Wrong { line, why: fault.message().replace('\n', "; ") }
}

/// The text with a part left out, and every other one where it was.
fn without(text: &str, part: &Range<usize>) -> Option<String> {
    let blank: String =
        text.get(part.clone())?.bytes().map(|byte| if byte == b'\n' { '\n' } else { ' ' }).collect();
    Some(format!("{}{blank}{}", text.get(..part.start)?, text.get(part.end..)?))
}

/// The setting around `span`, from its name to the end of its value; or, where that is a table, all of the table.
fn around(text: &str, span: &Range<usize>) -> Option<Range<usize>> {
    around_in(DeTable::parse(text).ok()?.get_ref(), span)
}

fn around_in(table: &DeTable<'_>, span: &Range<usize>) -> Option<Range<usize>> {
    table.iter().find_map(|(key, value)| {
        let tables = tables(value);
        let holds = |whole: &Range<usize>| whole.start <= span.start && span.end <= whole.end;
        if tables.is_empty() {
            return Some(key.span().start..value.span().end).filter(holds);
        }
        tables.into_iter().find_map(|table| {
            let inner = || around_in(table.get_ref().as_table()?, span);
            inner().or_else(|| (table.span() == *span).then(|| span.start..end(table)))
        })
    })
}

/// The value, or its items, if they are tables.
fn tables<'t, 'i>(value: &'t Spanned<DeValue<'i>>) -> Vec<&'t Spanned<DeValue<'i>>> {
    match value.get_ref() {
        DeValue::Table(_) => vec![value],
        DeValue::Array(array) => array.iter().filter(|item| item.get_ref().is_table()).collect(),
        DeValue::String(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_) => Vec::new(),
    }
}

/// Where a value ends, with all that is in it.
fn end(value: &Spanned<DeValue<'_>>) -> usize {
    let inner = tables(value).into_iter().filter_map(|table| table.get_ref().as_table());
    let inner = inner.flat_map(|table| table.values().map(end));
    inner.chain([value.span().end]).max().unwrap_or_default()
}

/// Finds the lines of what is wrong: each begins with the path of a setting, such as `source[0].poll.server`.
pub(super) fn placed(text: &str, errors: Vec<String>) -> Vec<Wrong> {
    let table = DeTable::parse(text).ok();
    let place = |why: String| {
        let path = why.split_once(':').map_or("", |(path, _)| path);
        let line = table.as_ref().and_then(|table| line_of(text, table, path));
        Wrong { line, why }
    };
    let mut wrong: Vec<Wrong> = errors.into_iter().map(place).collect();
    wrong.sort_by_key(|w| w.line.unwrap_or(usize::MAX));
    wrong
}

/// The line of a setting, or of the innermost table around it that is there.
fn line_of(text: &str, table: &Spanned<DeTable<'_>>, path: &str) -> Option<usize> {
    let mut found = None;
    let mut here = table.get_ref();
    let mut steps = path.split('.').peekable();
    while let Some(step) = steps.next() {
        let (name, index) = match step.strip_suffix(']').and_then(|step| step.split_once('[')) {
            Some((name, index)) => (name, index.parse::<usize>().ok()),
            None => (step, None),
        };
        let Some((key, value)) = here.iter().find(|(key, _)| key.get_ref() == name) else { break };
        found = Some(key.span().start);
        let inner = match (value.get_ref(), index) {
            (DeValue::Array(array), Some(index)) => array.get(index),
            _ => Some(value),
        };
        let Some(inner) = inner else { break };
        if index.is_some() {
            found = Some(inner.span().start);
        }
        match inner.get_ref().as_table() {
            Some(table) if steps.peek().is_some() => here = table,
            Some(_) | None => break,
        }
    }
    found.map(|at| line_at(text, at))
}

fn line_at(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|byte| *byte == b'\n').count() + 1
}

#[cfg(test)]
mod tests {
    use crate::config::Config;

    fn wrong(text: &str) -> Vec<String> {
        Config::parse(text).err().unwrap_or_default()
    }

    #[test]
    fn every_fault_of_syntax_is_told_with_its_line() {
        let told = wrong("listen = \n[site]\nzone = \"UTC\nprotocol = 'x\n[[unit]\n");
        let lines = |wanted: &str| told.iter().any(|why| why.starts_with(wanted));
        assert!(lines("line 1: ") && lines("line 3: ") && lines("line 5: "), "{told:?}");
    }

    #[test]
    fn every_setting_that_is_unknown_or_of_another_kind_is_told_with_its_line() {
        let told = wrong(
            "listen = 8080\nzone = \"é\"\n[site]\nhold_minutes = \"long\"\naway = [\n  \"a\",\n  5,\n]\n[[source]]\nname = \"x\"\n\
             heartbeat_seconds = -1\n[audit]\nkeep = 3\n",
        );
        let lines: Vec<&str> = told.iter().map(|why| why.split(':').next().unwrap()).collect();
        assert_eq!(lines, ["line 1", "line 2", "line 4", "line 7", "line 11", "line 13"], "{told:?}");
        assert!(told[1].contains("unknown field `zone`"), "{told:?}");
    }

    #[test]
    fn what_a_setting_says_is_told_with_its_line_in_the_order_of_the_file() {
        let told = wrong(
            "[[unit]]\nlocation = \"north\"\n[[unit]]\nname = \"N\"\nlocation = \"a b\"\n[[source]]\nname = \"x\"\n\
             heartbeat_seconds = 0\n[source.poll]\nserver = \"none\"\npage = 0\n[site]\nzone = \"Europe/Nowhere\"\n\
             [site.shifts]\nday = \"25:00\"\n",
        );
        let lines: Vec<&str> = told.iter().map(|why| why.split(':').next().unwrap()).collect();
        assert_eq!(lines, ["line 5", "line 8", "line 10", "line 11", "line 13", "line 15"], "{told:?}");
        assert!(told[2].contains("source[0].poll.server: there is no [[server]] named"), "{told:?}");
        // what is not there is told where it should be
        let told = wrong("\n[[deliver]]\nserver = \"x\"\n");
        assert!(told[0].starts_with("line 3: deliver[0]"), "{told:?}");
    }
}
