-- +goose Up
ALTER TABLE referral ADD COLUMN changed_at timestamptz NOT NULL DEFAULT now();
COMMENT ON COLUMN referral.changed_at IS 'When the newest version was saved, by the clock of the database: since then it waits to be written.';

-- +goose Down
ALTER TABLE referral DROP COLUMN changed_at;
