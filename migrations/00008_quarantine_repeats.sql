-- +goose Up
ALTER TABLE quarantine
    ADD COLUMN digest bytea,
    ADD COLUMN times  integer NOT NULL DEFAULT 1;
COMMENT ON COLUMN quarantine.digest IS 'Keyed hash of the request and its bytes, so that what a sender repeats is one entry. Null where the bytes were too many to be read.';
COMMENT ON COLUMN quarantine.times IS 'How often it came; received_at and expires_at are those of the last time.';
CREATE UNIQUE INDEX quarantine_digest ON quarantine (digest);

-- +goose Down
DROP INDEX quarantine_digest;
ALTER TABLE quarantine
    DROP COLUMN digest,
    DROP COLUMN times;
