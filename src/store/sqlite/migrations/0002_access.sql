-- Assertions of clients that were used, for as long as they could be used again.
CREATE TABLE assertion (
    client TEXT NOT NULL,
    name TEXT NOT NULL,
    until_us BIGINT NOT NULL,
    PRIMARY KEY (client, name)
) WITHOUT ROWID;
CREATE INDEX assertion_until ON assertion (until_us);

-- Access tokens that were given out, by a digest of them.
CREATE TABLE token (
    digest TEXT NOT NULL PRIMARY KEY,
    client TEXT NOT NULL,
    scopes TEXT NOT NULL,
    until_us BIGINT NOT NULL
) WITHOUT ROWID;
CREATE INDEX token_until ON token (until_us);
