-- +goose Up
CREATE TABLE session (
    digest       bytea       PRIMARY KEY CHECK (octet_length(digest) = 32),
    subject      text        NOT NULL CHECK (subject <> ''),
    name         text        NOT NULL,
    practitioner text        NOT NULL,
    roles        text[]      NOT NULL,
    local        boolean     NOT NULL,
    started_at   timestamptz NOT NULL,
    seen_at      timestamptz NOT NULL,
    ends_at      timestamptz NOT NULL
);
COMMENT ON TABLE session IS 'People who are signed in. What stands here lets nobody in.';
COMMENT ON COLUMN session.digest IS 'SHA-256 of the id in the browser''s cookie; the id itself is not kept.';
COMMENT ON COLUMN session.local IS 'Signed in by the demonstration''s own sign-in, which asks for no password.';
COMMENT ON COLUMN session.seen_at IS 'When it was used last, to the minute.';
CREATE INDEX session_ends ON session (ends_at);

CREATE TABLE token_used (
    digest bytea       PRIMARY KEY CHECK (octet_length(digest) = 32),
    until  timestamptz NOT NULL
);
COMMENT ON TABLE token_used IS 'Tokens that may be used once and have been: SHA-256 of issuer and jti, for as long as the token would be good.';
CREATE INDEX token_used_until ON token_used (until);

ALTER TABLE audit
    ADD COLUMN role   text NOT NULL DEFAULT '',
    ADD COLUMN filter text NOT NULL DEFAULT '';
COMMENT ON COLUMN audit.role IS 'Roles of the person who called, with commas between; empty for machines.';
COMMENT ON COLUMN audit.filter IS 'Opaque key of the filter that the page was about; empty where it was about none or several.';

-- +goose Down
ALTER TABLE audit DROP COLUMN role, DROP COLUMN filter;
DROP TABLE token_used;
DROP TABLE session;
