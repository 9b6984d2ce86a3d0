-- +goose Up

-- "FLDG": tells this file from any other SQLite database.
PRAGMA application_id = 1179403335;

-- The log, in commit order. INTEGER and not BIGINT, because only INTEGER
-- PRIMARY KEY is the row's own address in SQLite; it holds 64 bits all the same.
CREATE TABLE changes (
    seq        INTEGER PRIMARY KEY,
    time       BIGINT NOT NULL, -- microseconds since 1970, UTC
    actor      TEXT   NOT NULL,
    verb       TEXT   NOT NULL,
    name       TEXT   NOT NULL,
    kind       TEXT   NOT NULL,
    revision   BIGINT NOT NULL,
    request_id TEXT   NOT NULL,
    hash       BLOB   NOT NULL, -- the previous hash is that of seq - 1
    body       BLOB   NOT NULL
);
CREATE UNIQUE INDEX changes_by_name ON changes (name, revision);

-- The current state of each name; its body is that of change seq.
CREATE TABLE resources (
    name     TEXT   NOT NULL PRIMARY KEY,
    kind     TEXT   NOT NULL,
    revision BIGINT NOT NULL,
    seq      BIGINT NOT NULL
) WITHOUT ROWID;
CREATE INDEX resources_by_kind ON resources (kind, name);

-- Requests answered, kept for ever. first_seq is 0 when nothing was changed.
CREATE TABLE requests (
    actor       TEXT   NOT NULL,
    id          TEXT   NOT NULL,
    fingerprint BLOB   NOT NULL,
    first_seq   BIGINT NOT NULL,
    seq         BIGINT NOT NULL,
    answer      BLOB   NOT NULL,
    PRIMARY KEY (actor, id)
);

-- Unique keys.
CREATE TABLE claims (
    space TEXT NOT NULL,
    key   BLOB NOT NULL,
    name  TEXT NOT NULL,
    PRIMARY KEY (space, key)
) WITHOUT ROWID;
