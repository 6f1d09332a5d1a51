-- +goose Up
CREATE TABLE card (
    uuid      uuid  PRIMARY KEY,
    service   text  NOT NULL CHECK (service <> ''),
    kind      text  NOT NULL CHECK (kind <> ''),
    clinician bytea NOT NULL CHECK (octet_length(clinician) = 32),
    viewer    bytea NOT NULL CHECK (octet_length(viewer) = 32),
    occasion  text  NOT NULL CHECK (occasion <> ''),
    filter    bytea NOT NULL CHECK (octet_length(filter) = 32),
    rank      smallint NOT NULL,
    matter    bytea NOT NULL,
    key       text  NOT NULL DEFAULT '',
    shown_on  date  NOT NULL
);
COMMENT ON TABLE card IS 'Every card that was shown, without patient data: hashes, words of ours and the key of a filter.';
COMMENT ON COLUMN card.clinician IS 'HMAC-SHA256(installation.hash_key, issuer|tenant|user).';
COMMENT ON COLUMN card.viewer IS 'HMAC-SHA256(installation.hash_key, issuer|tenant|user|feed|patient id): one clinician and one patient.';
COMMENT ON COLUMN card.key IS 'Key of the filter; empty where the patient is not followed.';

CREATE TABLE card_viewer (
    viewer   bytea    NOT NULL CHECK (octet_length(viewer) = 32),
    occasion text     NOT NULL CHECK (occasion <> ''),
    filter   bytea    NOT NULL CHECK (octet_length(filter) = 32),
    rank     smallint NOT NULL,
    matter   bytea    NOT NULL,
    shown_on date     NOT NULL,
    card     uuid     NOT NULL,
    stopped  boolean  NOT NULL DEFAULT false,
    PRIMARY KEY (viewer, occasion, filter, rank, matter)
);
COMMENT ON TABLE card_viewer IS 'What one clinician was shown about each filter of one patient on one kind of occasion, so that it is not shown again too soon.';
COMMENT ON COLUMN card_viewer.filter IS 'HMAC-SHA256(installation.hash_key, key of the filter); of no key where the patient is not followed.';
COMMENT ON COLUMN card_viewer.matter IS 'Digest of what the card told where each such thing is worth a card of its own; empty otherwise.';
COMMENT ON COLUMN card_viewer.stopped IS 'The clinician has overridden it: it is not shown to them again.';

CREATE TABLE card_feedback (
    card    uuid        NOT NULL REFERENCES card (uuid) ON DELETE CASCADE,
    outcome text        NOT NULL CHECK (outcome IN ('accepted', 'overridden')),
    at      timestamptz NOT NULL,
    reason  text        NOT NULL DEFAULT '',
    PRIMARY KEY (card, outcome, at)
);
COMMENT ON TABLE card_feedback IS 'What clinicians did with cards.';
COMMENT ON COLUMN card_feedback.reason IS 'One of our own codes; what people write is not kept here, it may name a patient.';

-- +goose Down
DROP TABLE card_feedback;
DROP TABLE card_viewer;
DROP TABLE card;
