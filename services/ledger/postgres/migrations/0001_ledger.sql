-- +goose Up

-- The same tables under the same number as in the SQLite backend. Text that is
-- looked up or put in order compares bytewise, as it does there.

-- The log, in commit order.
CREATE TABLE changes (
    seq        BIGINT PRIMARY KEY,
    time       BIGINT NOT NULL, -- microseconds since 1970, UTC
    actor      TEXT   NOT NULL COLLATE "C",
    verb       TEXT   NOT NULL COLLATE "C",
    name       TEXT   NOT NULL COLLATE "C",
    kind       TEXT   NOT NULL COLLATE "C",
    revision   BIGINT NOT NULL,
    request_id TEXT   NOT NULL COLLATE "C",
    hash       BYTEA  NOT NULL, -- the previous hash is that of seq - 1
    body       BYTEA  NOT NULL
);
CREATE UNIQUE INDEX changes_by_name ON changes (name, revision);

-- The current state of each name; its body is that of change seq.
CREATE TABLE resources (
    name     TEXT   NOT NULL COLLATE "C" PRIMARY KEY,
    kind     TEXT   NOT NULL COLLATE "C",
    revision BIGINT NOT NULL,
    seq      BIGINT NOT NULL
);
CREATE INDEX resources_by_kind ON resources (kind, name);

-- Requests answered, kept for ever. first_seq is 0 when nothing was changed.
CREATE TABLE requests (
    actor       TEXT   NOT NULL COLLATE "C",
    id          TEXT   NOT NULL COLLATE "C",
    fingerprint BYTEA  NOT NULL,
    first_seq   BIGINT NOT NULL,
    seq         BIGINT NOT NULL,
    answer      BYTEA  NOT NULL,
    PRIMARY KEY (actor, id)
);

-- Unique keys.
CREATE TABLE claims (
    space TEXT  NOT NULL COLLATE "C",
    key   BYTEA NOT NULL,
    name  TEXT  NOT NULL COLLATE "C",
    PRIMARY KEY (space, key)
);
