//! A card of CDS Hooks 2.0 (`patient-view`) for the Task that stands: what is due, since when, how fresh that is.
//!
//! The card says what the Task says. It has no suggestion to accept: what is charted at the bedside closes the Task, not
//! the card; and it is never `critical`, for it is not an alarm.

use serde_json::{Value, json};

use super::outcomes::derived_id;
use crate::care::ledger::Feed;
use crate::care::time::Instant;

/// The most characters of a summary ("under 140", CDS Hooks 2.0, "Card Attributes").
const SUMMARY: usize = 139;

/// Statuses of a Task that nobody has begun.
const WAITING: [&str; 5] = ["draft", "requested", "received", "ready", "accepted"];

/// What is shown of the Task `id` at `now`, and where more of it is; none if it asks for nothing now, or somebody is about it.
pub fn card(id: &str, task: &Value, feed: Feed, now: Instant, links: &[(&str, String)]) -> Option<Value> {
    let text = |at: &str| task.pointer(at).and_then(Value::as_str);
    let state = text("/businessStatus/coding/0/code")?;
    let status = text("/status").filter(|status| WAITING.contains(status))?;
    let indicator = match state {
        "due" => "info",
        "overdue" => "warning",
        _ => return None,
    };
    let said = text("/description")?;
    let first = said.split_once(". ").map_or(said, |(first, _)| first).trim_end_matches('.');
    let fresh = match feed.silent_since(now) {
        Some(since) => {
            format!("**Unverified since {since}: charting does not reach us. Follow the bedside record.**")
        }
        None => format!("Charting is known up to {}.", feed.watermark().min(now)),
    };
    let deadline =
        text("/restriction/period/end").map(|end| format!(" First deadline: {end}.")).unwrap_or_default();
    let detail = format!(
        "{}\n\n{fresh} Computed at {now}; Task {status}.{deadline}\n\nThis is not an alarm, and charting is not care: look at \
         the patient. Protect the airway; suction ready and working; bite block where consciousness is reduced. The local \
         protocol and the licensed clinician at the bedside decide.",
        plain(said)
    );
    let links: Vec<Value> =
        links.iter().map(|(label, url)| json!({"label": label, "url": url, "type": "absolute"})).collect();
    let mut card = json!({
        "uuid": derived_id(&["card", id, state, said]),
        "summary": cut(&format!("Mouth care: {first}")),
        "detail": detail,
        "indicator": indicator,
        "source": {"label": "Terce"},
    });
    if let (Some(members), false) = (card.as_object_mut(), links.is_empty()) {
        members.insert("links".to_owned(), links.into());
    }
    Some(card)
}

fn cut(text: &str) -> String {
    if text.chars().count() <= SUMMARY {
        return text.to_owned();
    }
    let mut out: String = text.chars().take(SUMMARY - 1).collect();
    out.push('…');
    out
}

/// Without what Markdown would make something of.
fn plain(text: &str) -> String {
    text.chars()
        .flat_map(|c| {
            let escaped = matches!(c, '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '#' | '!' | '|' | '&');
            escaped.then_some('\\').into_iter().chain(std::iter::once(c))
        })
        .collect()
}
