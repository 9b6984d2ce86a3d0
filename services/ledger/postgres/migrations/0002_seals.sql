-- +goose Up

-- Format 2 of the chain: what a reader may not know enters by salted hashes.
-- An empty salt is a change of format 1.
ALTER TABLE changes ADD COLUMN salt BYTEA NOT NULL DEFAULT '';

-- How the body is stored: 0 in the open, the number of a key when sealed with
-- it, -1 when erased and replaced by its hash.
ALTER TABLE changes ADD COLUMN seal BIGINT NOT NULL DEFAULT 0;

-- Keys of sealed names, by the number of the first change sealed with them. A
-- destroyed key is NULL.
CREATE TABLE seals (
    id   BIGINT PRIMARY KEY,
    name TEXT NOT NULL COLLATE "C",
    key  BYTEA
);
CREATE UNIQUE INDEX seals_live ON seals (name) WHERE key IS NOT NULL;

-- The change that a claim came with, so that the state of an earlier moment can
-- be made again.
ALTER TABLE claims ADD COLUMN seq BIGINT NOT NULL DEFAULT 0;
