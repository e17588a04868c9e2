-- What could not be taken in, or not delivered, until somebody decides. way: 'in' or 'out'; place: the source or the server;
-- name: what it is, `Type/id` or a digest. `body` is last, as in `document`.
CREATE TABLE letter (
    number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    way TEXT NOT NULL,
    place TEXT NOT NULL,
    name TEXT NOT NULL,
    why TEXT NOT NULL,
    first_us BIGINT NOT NULL,
    last_us BIGINT NOT NULL,
    tries BIGINT NOT NULL,
    body BLOB
);
CREATE UNIQUE INDEX letter_about ON letter (way, place, name);
