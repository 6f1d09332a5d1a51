-- +goose Up
CREATE TABLE installation (
    only_one boolean     PRIMARY KEY DEFAULT true CHECK (only_one),
    id       uuid        NOT NULL,
    hash_key bytea       NOT NULL CHECK (octet_length(hash_key) = 32),
    made_at  timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE installation IS 'One row, made once: who this installation is. Task and document identifiers derive from id.';
COMMENT ON COLUMN installation.hash_key IS 'Secret key of the hashes in retraction; without it they cannot be matched again.';

CREATE TABLE basis (
    number        bigint      PRIMARY KEY CHECK (number > 0),
    digest        text        NOT NULL CHECK (digest <> ''),
    policy        text        NOT NULL,
    registered_at timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE basis IS 'Policy, catalogue and value sets an assessment stands on. A change gives a new number, also a change back.';

CREATE TABLE person (
    id                    uuid        PRIMARY KEY,
    chart_version         bigint      NOT NULL DEFAULT 0 CHECK (chart_version >= 0),
    followed              boolean     NOT NULL DEFAULT true,
    pull_wanted           bigint      NOT NULL DEFAULT 0,
    pull_done             bigint      NOT NULL DEFAULT 0,
    evidence_gone_at      timestamptz,
    evidence_gone_version bigint,
    saves                 bigint      NOT NULL DEFAULT 0,
    saved_version         bigint,
    saved_basis           bigint      REFERENCES basis (number),
    saved_as_of           date,
    due_on                date,
    CHECK (pull_done BETWEEN 0 AND pull_wanted),
    CHECK (saved_version <= chart_version),
    CHECK (num_nulls(saved_version, saved_basis, saved_as_of) IN (0, 3)),
    CHECK (num_nulls(evidence_gone_at, evidence_gone_version) IN (0, 2))
);
COMMENT ON TABLE person IS 'A patient with filter evidence. Nobody else is stored.';
COMMENT ON COLUMN person.id IS 'UUIDv5 of feed and patient id of the alias that began it.';
COMMENT ON COLUMN person.chart_version IS 'Counts changes of what is known of the person; raised under the lock of this row, so commit order is version order.';
COMMENT ON COLUMN person.pull_wanted IS 'Counts the context pulls asked for; the context is complete when pull_done has reached it.';
COMMENT ON COLUMN person.evidence_gone_version IS 'chart_version at which the last evidence was found retracted; names the one erase job that may act.';
COMMENT ON COLUMN person.saves IS 'Counts saved assessments, so that one computed from an older reading is noticed.';
COMMENT ON COLUMN person.saved_version IS 'With saved_basis and saved_as_of: the newest assessment; never goes back.';
COMMENT ON COLUMN person.due_on IS 'First day on which the answer can differ without new data; the day of arrival until the first assessment; null for never.';
-- The daily sweep is a range scan of this index: its cost grows with the changes, not with the population.
CREATE INDEX person_due ON person (due_on, id) WHERE followed;
-- Who waits for an assessment or a pull; both are few at any time.
CREATE INDEX person_behind ON person (id) WHERE followed AND coalesce(saved_version, 0) < chart_version;
CREATE INDEX person_unpulled ON person (id) WHERE followed AND (pull_wanted = 0 OR pull_done < pull_wanted);

CREATE TABLE person_alias (
    feed       text NOT NULL CHECK (feed <> ''),
    patient_id text NOT NULL CHECK (patient_id <> ''),
    person_id  uuid NOT NULL REFERENCES person (id),
    PRIMARY KEY (feed, patient_id)
);
COMMENT ON TABLE person_alias IS 'The only way from a patient id of a feed to a person.';
CREATE INDEX person_alias_person ON person_alias (person_id);

CREATE TABLE resource (
    feed         text        NOT NULL CHECK (feed <> ''),
    type         text        NOT NULL CHECK (type <> ''),
    id           text        NOT NULL CHECK (id <> ''),
    version      bigint      NOT NULL CHECK (version > 0),
    version_id   text        NOT NULL DEFAULT '',
    last_updated timestamptz,
    received_at  timestamptz NOT NULL,
    digest       bytea       NOT NULL CHECK (octet_length(digest) = 32),
    person_id    uuid        REFERENCES person (id),
    deleted      boolean     NOT NULL DEFAULT false,
    retracted    boolean     NOT NULL DEFAULT false,
    moved        boolean     NOT NULL DEFAULT false,
    evidence     boolean     NOT NULL DEFAULT false,
    current      boolean     NOT NULL,
    body         bytea       NOT NULL,
    doc          jsonb,
    refs         text[]      NOT NULL DEFAULT '{}',
    PRIMARY KEY (feed, type, id, version),
    CHECK (NOT deleted OR (octet_length(body) = 0 AND refs = '{}' AND NOT evidence)),
    CHECK (deleted OR octet_length(body) > 0),
    CHECK (deleted OR NOT moved)
);
COMMENT ON TABLE resource IS 'Every kept version of every kept resource.';
COMMENT ON COLUMN resource.version IS 'Our own count, in order of receipt; which version counts is told by current.';
COMMENT ON COLUMN resource.version_id IS 'meta.versionId as sent; empty where there was none.';
COMMENT ON COLUMN resource.digest IS 'SHA-256 of the content: members in order of name, no spacing.';
COMMENT ON COLUMN resource.person_id IS 'Null for what names no patient, such as a Medication or an unassigned device.';
COMMENT ON COLUMN resource.retracted IS 'entered-in-error.';
COMMENT ON COLUMN resource.moved IS 'This version names a patient who is not followed: nothing of it is kept, only that it is no longer ours.';
COMMENT ON COLUMN resource.evidence IS 'Tells of a vena cava filter.';
COMMENT ON COLUMN resource.body IS 'The received bytes, the truth. jsonb is not faithful (order, repeats, numbers).';
COMMENT ON COLUMN resource.doc IS 'The same for queries; null where jsonb cannot hold it.';
COMMENT ON COLUMN resource.refs IS 'Type/id of the entries of the same feed that this one names, without the Patient.';
CREATE UNIQUE INDEX resource_current ON resource (feed, type, id) WHERE current;
CREATE INDEX resource_person ON resource (person_id) WHERE person_id IS NOT NULL;
CREATE INDEX resource_refs ON resource USING gin (refs) WHERE current;

CREATE TABLE retraction (
    hash         bytea       PRIMARY KEY CHECK (octet_length(hash) = 32),
    version_id   text        NOT NULL DEFAULT '',
    last_updated timestamptz,
    at           timestamptz NOT NULL
);
COMMENT ON TABLE retraction IS 'Deleted or retracted devices, procedures and device uses, whoever the patient, so that a late older version makes no phantom.';
COMMENT ON COLUMN retraction.hash IS 'HMAC-SHA256(installation.hash_key, feed|type|id): says nothing of whom it was about.';
COMMENT ON COLUMN retraction.at IS 'When we heard of it.';

CREATE TABLE filter_key (
    key         text   PRIMARY KEY CHECK (key <> ''),
    born        bigint GENERATED ALWAYS AS IDENTITY UNIQUE,
    person_id   uuid   REFERENCES person (id) ON DELETE SET NULL,
    evidence    text[] NOT NULL DEFAULT '{}',
    merged_into text   REFERENCES filter_key (key),
    CHECK (merged_into <> key),
    CHECK (person_id IS NOT NULL OR evidence = '{}')
);
COMMENT ON TABLE filter_key IS 'Every filter key ever handed out. A row outlives its person, then without person and evidence.';
COMMENT ON COLUMN filter_key.born IS 'Order of birth: the oldest key wins a merge.';
COMMENT ON COLUMN filter_key.evidence IS 'The entries the key stood on at the last save.';
CREATE INDEX filter_key_person ON filter_key (person_id) WHERE person_id IS NOT NULL;

CREATE TABLE assessment (
    person_id     uuid        NOT NULL REFERENCES person (id),
    chart_version bigint      NOT NULL,
    basis         bigint      NOT NULL REFERENCES basis (number),
    as_of         date        NOT NULL,
    due_on        date,
    answer        json        NOT NULL,
    made_at       timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (person_id, chart_version, basis, as_of)
);
COMMENT ON TABLE assessment IS 'Every saved answer; the newest is the one person.saved_* names.';
COMMENT ON COLUMN assessment.answer IS 'json, not jsonb: read back whole, and it may quote text that jsonb refuses.';

CREATE TABLE referral (
    key               text        PRIMARY KEY REFERENCES filter_key (key),
    person_id         uuid        NOT NULL REFERENCES person (id),
    version           bigint      NOT NULL DEFAULT 0 CHECK (version >= 0),
    state             jsonb       NOT NULL,
    document          json,
    written_version   bigint      NOT NULL DEFAULT 0,
    written_at        timestamptz,
    lease_holder      text,
    lease_until       timestamptz,
    attention         text,
    attention_version bigint,
    attention_at      timestamptz,
    CHECK (written_version BETWEEN 0 AND version),
    CHECK (num_nulls(lease_holder, lease_until) IN (0, 2)),
    CHECK (num_nulls(attention, attention_version, attention_at) IN (0, 3))
);
COMMENT ON TABLE referral IS 'What should stand in the record for one filter, and how far it has been written.';
COMMENT ON COLUMN referral.version IS 'Counts changes of state; the write-back job carries it.';
COMMENT ON COLUMN referral.document IS 'What the Task and the document are composed from; json because it is read back whole.';
COMMENT ON COLUMN referral.lease_until IS 'Until then only lease_holder may write: a lease, because no row lock may span a call to the record.';
COMMENT ON COLUMN referral.attention IS 'A word of ours for why a person must look; never patient data.';
CREATE INDEX referral_person ON referral (person_id);

CREATE TABLE receipt (
    key         text        NOT NULL REFERENCES referral (key) ON DELETE CASCADE,
    kind        text        NOT NULL CHECK (kind IN ('Task', 'DocumentReference', 'Provenance')),
    round       integer     NOT NULL CHECK (round > 0),
    revision    integer     NOT NULL CHECK (revision >= 0),
    resource_id text        NOT NULL CHECK (resource_id <> ''),
    version_id  text        NOT NULL,
    status      text        NOT NULL,
    written_at  timestamptz NOT NULL,
    PRIMARY KEY (key, kind, round, revision)
);
COMMENT ON TABLE receipt IS 'What the record answered when we wrote: where each of our resources lies.';

CREATE TABLE quarantine (
    id          bigint      GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    feed        text        NOT NULL,
    route       text        NOT NULL,
    received_at timestamptz NOT NULL,
    expires_at  timestamptz NOT NULL,
    size        bigint      NOT NULL,
    body        bytea,
    issues      json        NOT NULL
);
COMMENT ON TABLE quarantine IS 'Payloads that could not be taken, for a few days.';
COMMENT ON COLUMN quarantine.body IS 'Null unless the bytes concern a filter or a followed person.';
CREATE INDEX quarantine_expires ON quarantine (expires_at);

CREATE TABLE audit (
    id      bigint      GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at      timestamptz NOT NULL,
    caller  text        NOT NULL,
    action  text        NOT NULL,
    route   text        NOT NULL,
    outcome text        NOT NULL,
    number  bigint      NOT NULL
);
COMMENT ON TABLE audit IS 'Who read or wrote what, without patient data: route patterns and our own numbers.';
CREATE INDEX audit_at ON audit (at);

-- +goose Down
DROP TABLE audit;
DROP TABLE quarantine;
DROP TABLE receipt;
DROP TABLE referral;
DROP TABLE assessment;
DROP TABLE filter_key;
DROP TABLE retraction;
DROP TABLE resource;
DROP TABLE person_alias;
DROP TABLE person;
DROP TABLE basis;
DROP TABLE installation;
