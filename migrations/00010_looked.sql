-- +goose Up
ALTER TABLE referral ADD COLUMN looked_at timestamptz;
COMMENT ON COLUMN referral.looked_at IS 'When the record was last written, or looked at for surplus copies, by the clock of the database.';

-- +goose Down
ALTER TABLE referral DROP COLUMN looked_at;
