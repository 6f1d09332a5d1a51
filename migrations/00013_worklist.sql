-- +goose Up
CREATE TABLE worklist (
    key           text     PRIMARY KEY REFERENCES filter_key (key),
    page          text     NOT NULL UNIQUE CHECK (page ~ '^[0-9a-f]{32}$'),
    listed        boolean  NOT NULL,
    rank          smallint NOT NULL,
    sort_day      date     NOT NULL,
    waiting_since date,
    verdict       text     NOT NULL,
    standing      text     NOT NULL,
    overdue       boolean  NOT NULL,
    emergency     boolean  NOT NULL,
    headline      text     NOT NULL,
    name          text     NOT NULL,
    born          text     NOT NULL,
    patient       text     NOT NULL,
    model         text     NOT NULL,
    placed_from   date,
    placed_to     date,
    asked         text     NOT NULL,
    task_status   text     NOT NULL,
    task_owner    text     NOT NULL,
    owner         text     NOT NULL,
    step          text     NOT NULL,
    step_on       date,
    put_off       date,
    in_hospital   boolean  NOT NULL,
    unreachable   boolean  NOT NULL,
    attempts      smallint NOT NULL,
    last_contact  date,
    last_reached  boolean  NOT NULL,
    lost          boolean  NOT NULL,
    search        text     NOT NULL
);
COMMENT ON TABLE worklist IS 'One line for each filter, saved with its assessment, so that the list reads no document.';
COMMENT ON COLUMN worklist.page IS 'Names the filter in URLs: a keyed hash (installation.hash_key) that says nothing of the person.';
COMMENT ON COLUMN worklist.listed IS 'False for a filter that the newest assessment no longer knows.';
COMMENT ON COLUMN worklist.rank IS 'Urgency: 0 is the most urgent.';
COMMENT ON COLUMN worklist.sort_day IS 'Within a rank: since when somebody waits, else the next day to look.';
COMMENT ON COLUMN worklist.task_status IS 'Of our Task, as the record shows it; with task_owner. Empty where it shows none.';
COMMENT ON COLUMN worklist.search IS 'What the search looks through, in lower case.';
CREATE INDEX worklist_order ON worklist (rank, sort_day, page) WHERE listed;
-- The counts above the list read this index alone.
CREATE INDEX worklist_counts ON worklist (verdict, overdue, in_hospital, unreachable, lost) WHERE listed;

CREATE TABLE act (
    token      text        PRIMARY KEY CHECK (token <> ''),
    key        text        NOT NULL REFERENCES filter_key (key),
    at         timestamptz NOT NULL,
    kind       text        NOT NULL,
    by_subject text        NOT NULL,
    by_name    text        NOT NULL,
    why        text        NOT NULL,
    until      date,
    entry      text        NOT NULL,
    form       bytea       NOT NULL
);
COMMENT ON TABLE act IS 'What people did at the worklist, once for each form that was sent.';
COMMENT ON COLUMN act.token IS 'Of the form, so that sending it twice is doing it once.';
COMMENT ON COLUMN act.entry IS 'Type/id in the feed local of what was entered; empty for a decision.';
COMMENT ON COLUMN act.form IS 'SHA-256 of what the form said, so that other content under its token is not taken for it.';
CREATE INDEX act_key ON act (key, at);

-- Everyone followed is assessed anew, so that each has a line: whoever has no saved answer counts as behind.
UPDATE person SET saved_version = NULL, saved_basis = NULL, saved_as_of = NULL WHERE followed;

-- +goose Down
DROP TABLE act;
DROP TABLE worklist;
