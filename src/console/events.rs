//! Tells a page that it has become old: server-sent events.

use std::convert::Infallible;

use axum::extract::{Path, State};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream::{self, Stream};
use tokio::sync::watch;
use tokio::time::timeout;

use super::entry::Viewer;
use super::page::Absent;
use super::{Console, limits, ward};
use crate::access::Rights;

/// What one reader was told last.
struct Reader {
    console: Console,
    viewer: Viewer,
    unit: String,
    text: String,
    changed: watch::Receiver<()>,
}

/// `GET /ward/{unit}/events`: `changed` whenever the rows of the unit have.
pub(super) async fn events(
    State(console): State<Console>,
    viewer: Viewer,
    Path(unit): Path<String>,
) -> Result<Response, Absent> {
    viewer.may(&["Encounter", "Procedure", "DetectedIssue"], Rights::READ)?;
    // before the text is made: what changes while it is made is told
    let changed = console.store.changed();
    let text = ward::text(&console, &viewer, &unit).await?;
    let stream = changes(Reader { console, viewer, unit, text, changed });
    Ok(Sse::new(stream).keep_alive(KeepAlive::default()).into_response())
}

fn changes(reader: Reader) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(reader, |mut reader| async move {
        loop {
            if !reader.wait().await {
                return None;
            }
            // a store that cannot be read now is asked again when something changes
            let Ok(text) = ward::text(&reader.console, &reader.viewer, &reader.unit).await else { continue };
            if text != reader.text {
                reader.text = text;
                // browsers pass over an event without data
                return Some((Ok(Event::default().event("changed").data("rows")), reader));
            }
        }
    })
}

impl Reader {
    /// Returns when something may have changed; false if the service stops.
    async fn wait(&mut self) -> bool {
        let mut stopped = self.console.stopped.clone();
        let waits = async {
            tokio::select! {
                _ = self.changed.changed() => {}
                _ = stopped.changed() => return,
            }
            tokio::time::sleep(limits::TOLD_EVERY).await;
        };
        // neither: the strips move on with the time
        let _ = timeout(limits::MOVED_EVERY, waits).await;
        !*self.console.stopped.borrow()
    }
}
