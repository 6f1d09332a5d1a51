-- +goose Up
ALTER TABLE quarantine
    ADD COLUMN method           text,
    ADD COLUMN target           text,
    ADD COLUMN content_type     text,
    ADD COLUMN content_encoding text,
    ADD COLUMN bundle           text,
    ADD COLUMN replays          integer NOT NULL DEFAULT 0,
    ADD COLUMN replayed_at      timestamptz,
    ADD COLUMN outcome          integer,
    ADD COLUMN outcome_issues   json,
    ADD CONSTRAINT quarantine_request_with_body CHECK (
        body IS NOT NULL OR num_nonnulls(method, target, content_type, content_encoding, bundle) = 0);
COMMENT ON COLUMN quarantine.method IS 'Method of the request. Null, as all that tells how to replay, where the bytes are not kept.';
COMMENT ON COLUMN quarantine.target IS 'Path of the request below the door, without a query: empty, Type or Type/id.';
COMMENT ON COLUMN quarantine.content_encoding IS 'Of the bytes as they are kept: empty once they were unpacked.';
COMMENT ON COLUMN quarantine.bundle IS 'For one entry of a Bundle its type, or notification; the entry''s own bytes hold its method and URL. Empty for a whole body.';
COMMENT ON COLUMN quarantine.replays IS 'How often it was replayed and refused again.';
COMMENT ON COLUMN quarantine.outcome IS 'HTTP status of the last replay; outcome_issues are its faults, without patient data.';

-- +goose Down
ALTER TABLE quarantine
    DROP COLUMN method,
    DROP COLUMN target,
    DROP COLUMN content_type,
    DROP COLUMN content_encoding,
    DROP COLUMN bundle,
    DROP COLUMN replays,
    DROP COLUMN replayed_at,
    DROP COLUMN outcome,
    DROP COLUMN outcome_issues;
