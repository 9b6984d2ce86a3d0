-- +goose Up

-- Remembered requests and claims are not in the chain: each row carries a hash
-- of its own, so that the check finds a row that was altered or decayed. Rows of
-- the first schema have none.
ALTER TABLE requests ADD COLUMN sum BYTEA NOT NULL DEFAULT '';
ALTER TABLE claims ADD COLUMN sum BYTEA NOT NULL DEFAULT '';
