-- +goose Up
-- A call that brings many entries looks up each of their names; a list of entries still to be indexed would be read for each.
ALTER INDEX resource_refs SET (fastupdate = off);

-- +goose Down
ALTER INDEX resource_refs RESET (fastupdate);
