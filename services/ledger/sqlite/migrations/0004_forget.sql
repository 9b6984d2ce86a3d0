-- +goose Up

-- The salt of a body that was erased in the open let whoever had the rest try what
-- it was. The hash that stands in its place stays; the half of the salt that
-- belongs to it goes. The half of who and when is as it was.
UPDATE changes SET salt = CAST(substr(salt, 1, 16) || zeroblob(16) AS BLOB) WHERE seal = -1 AND length(salt) = 32;
