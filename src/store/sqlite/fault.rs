//! What an error of SQLite means to a caller.

use std::sync::{Arc, OnceLock};

use rusqlite::Error;
use rusqlite::ffi;

use crate::store::StoreError;

/// Whether the database may still be written; shared by all connections of a store.
///
/// After a failed fsync the kernel may have dropped the pages and would report success the next time: only a new
/// start, which reads the log again, knows what is on the disk.
#[derive(Clone, Debug, Default)]
pub(super) struct Health(Arc<OnceLock<String>>);

impl Health {
    /// Fails with `Fatal` once anything has.
    pub(super) fn check(&self) -> Result<(), StoreError> {
        self.0.get().map_or(Ok(()), |why| Err(StoreError::Fatal(why.clone())))
    }

    /// What an error means; one that is fatal is remembered.
    pub(super) fn judge(&self, error: &Error) -> StoreError {
        let judged = meaning(error);
        if let StoreError::Fatal(why) = &judged
            && self.0.set(why.clone()).is_ok()
        {
            tracing::error!(error = %why, "the database has failed; nothing more is stored until a new start");
        }
        judged
    }
}

/// What an error means while a store is in use.
fn meaning(error: &Error) -> StoreError {
    let Some(code) = code(error) else { return StoreError::Internal(error.to_string()) };
    // the index of the log is a file of its own; that it cannot grow leaves the data untouched
    if code == ffi::SQLITE_IOERR_SHMSIZE {
        return StoreError::NoSpace;
    }
    match code & 0xff {
        ffi::SQLITE_FULL => StoreError::NoSpace,
        ffi::SQLITE_BUSY | ffi::SQLITE_LOCKED => StoreError::Busy,
        ffi::SQLITE_IOERR
        | ffi::SQLITE_CORRUPT
        | ffi::SQLITE_NOTADB
        | ffi::SQLITE_READONLY
        | ffi::SQLITE_PERM
        | ffi::SQLITE_NOMEM
        | ffi::SQLITE_PROTOCOL => StoreError::Fatal(format!("{error} ({code})")),
        _ => StoreError::Internal(format!("{error} ({code})")),
    }
}

/// What an error means while a store is being opened.
pub(super) fn at_open(error: &Error) -> StoreError {
    match code(error).unwrap_or(ffi::SQLITE_ERROR) & 0xff {
        ffi::SQLITE_FULL => StoreError::NoSpace,
        ffi::SQLITE_BUSY | ffi::SQLITE_LOCKED => StoreError::Busy,
        ffi::SQLITE_CORRUPT | ffi::SQLITE_NOTADB => StoreError::Damaged(error.to_string()),
        _ => StoreError::Unusable(error.to_string()),
    }
}

/// The extended result code of SQLite, if the error has one.
fn code(error: &Error) -> Option<i32> {
    error.sqlite_error().map(|e| e.extended_code)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn failure(code: i32) -> Error {
        Error::SqliteFailure(ffi::Error::new(code), None)
    }

    #[test]
    fn a_full_disk_is_no_space_and_not_fatal() {
        let health = Health::default();
        assert_eq!(health.judge(&failure(ffi::SQLITE_FULL)), StoreError::NoSpace);
        assert_eq!(health.judge(&failure(ffi::SQLITE_IOERR_SHMSIZE)), StoreError::NoSpace);
        assert_eq!(health.check(), Ok(()));
    }

    #[test]
    fn a_failed_fsync_is_fatal_and_stays_so() {
        let health = Health::default();
        assert!(matches!(health.judge(&failure(ffi::SQLITE_IOERR_FSYNC)), StoreError::Fatal(_)));
        assert!(matches!(health.judge(&failure(ffi::SQLITE_FULL)), StoreError::NoSpace));
        assert!(matches!(health.check(), Err(StoreError::Fatal(_))));
    }

    #[test]
    fn a_mistake_of_ours_is_not_fatal() {
        let health = Health::default();
        assert!(matches!(health.judge(&failure(ffi::SQLITE_CONSTRAINT_UNIQUE)), StoreError::Internal(_)));
        assert!(matches!(health.judge(&Error::QueryReturnedNoRows), StoreError::Internal(_)));
        assert_eq!(health.check(), Ok(()));
    }
}
