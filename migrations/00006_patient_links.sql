-- +goose Up
ALTER TABLE resource
    ADD COLUMN patient_id text   NOT NULL DEFAULT '',
    ADD COLUMN links      text[] NOT NULL DEFAULT '{}';
COMMENT ON COLUMN resource.patient_id IS 'Patient of the same feed that this version is about; tells whose it is again when a merge of patients is taken back.';
COMMENT ON COLUMN resource.links IS 'Of a Patient: the ids of the Patients that it replaces or is replaced by.';
-- Until now a person had one patient id in each feed.
UPDATE resource r SET patient_id = a.patient_id FROM person_alias a WHERE a.person_id = r.person_id AND a.feed = r.feed;

-- +goose Down
ALTER TABLE resource
    DROP COLUMN patient_id,
    DROP COLUMN links;
