//! Dead letters, asked for over HTTP.
