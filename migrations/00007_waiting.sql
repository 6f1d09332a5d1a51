-- +goose Up
ALTER TABLE retraction
    ADD COLUMN ended_version_id   text NOT NULL DEFAULT '',
    ADD COLUMN ended_last_updated timestamptz;
COMMENT ON COLUMN retraction.ended_version_id IS 'With ended_last_updated: the highest version that was here when the deletion came, or was refused since. None of those revives.';

CREATE TABLE waiting (
    feed         text        NOT NULL CHECK (feed <> ''),
    type         text        NOT NULL CHECK (type <> ''),
    id           text        NOT NULL CHECK (id <> ''),
    version_id   text        NOT NULL DEFAULT '',
    last_updated timestamptz,
    received_at  timestamptz NOT NULL,
    expires_at   timestamptz NOT NULL,
    digest       bytea       NOT NULL CHECK (octet_length(digest) = 32),
    patient_id   text        NOT NULL CHECK (patient_id <> ''),
    body         bytea       NOT NULL CHECK (octet_length(body) > 0),
    refs         text[]      NOT NULL,
    devices      text[]      NOT NULL,
    PRIMARY KEY (feed, type, id)
);
COMMENT ON TABLE waiting IS 'Procedures and device uses about patients who are not followed, which name a device that is not here yet: it may be a filter. The newest version of each.';
COMMENT ON COLUMN waiting.expires_at IS 'When it is forgotten, if the device has not come by then.';
COMMENT ON COLUMN waiting.devices IS 'Device/id of the same feed, of those that are still unknown.';
CREATE INDEX waiting_devices ON waiting USING gin (devices);
CREATE INDEX waiting_patient ON waiting (feed, patient_id);
CREATE INDEX waiting_expires ON waiting (expires_at);

-- +goose Down
DROP TABLE waiting;
ALTER TABLE retraction
    DROP COLUMN ended_version_id,
    DROP COLUMN ended_last_updated;
