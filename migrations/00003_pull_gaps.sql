-- +goose Up
ALTER TABLE person ADD COLUMN pull_gaps jsonb NOT NULL DEFAULT '[]' CHECK (jsonb_typeof(pull_gaps) = 'array');
COMMENT ON COLUMN person.pull_gaps IS 'What the newest finished pull could not read, as [{"type", "why"}]; the assessment names it as missing.';

-- +goose Down
ALTER TABLE person DROP COLUMN pull_gaps;
