-- The store of a desk. Identifications are only ever added; what is withdrawn stays and a row says that it is withdrawn.
-- Times are UTC, ISO 8601 to the millisecond, so that text order is time order.

CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;

CREATE TABLE root (folder TEXT PRIMARY KEY) STRICT;  -- photographs outside these folders are never shown

CREATE TABLE specimen (
  specimen_id TEXT PRIMARY KEY,
  imported_at TEXT NOT NULL,
  received_at TEXT NOT NULL,              -- when it was submitted, else when it was imported
  removed_at TEXT NOT NULL,               -- as said, local time, '' if not known
  due_at TEXT NOT NULL,                   -- UTC, 72 h after removal, '' if not known
  machine_state TEXT NOT NULL,
  prediction TEXT NOT NULL,               -- the last decision of predict, JSON
  facts TEXT NOT NULL,                    -- submission facts, JSON
  is_random INTEGER NOT NULL,             -- drawn at random on arrival, whatever the model said
  is_picked INTEGER NOT NULL,             -- picked for labelling: never a random draw
  is_queued INTEGER NOT NULL,
  costly INTEGER NOT NULL,
  informativeness REAL NOT NULL,
  second_drawn INTEGER NOT NULL,
  status TEXT NOT NULL,
  concluded_at TEXT NOT NULL,             -- '' until concluded
  final_id INTEGER REFERENCES identification,  -- the link that the chain concludes with, NULL until concluded
  embedding BLOB                          -- float32, NULL if none was computed
) STRICT;
CREATE INDEX specimen_status ON specimen (is_queued, status);

CREATE TABLE photograph (
  id INTEGER PRIMARY KEY,
  specimen_id TEXT NOT NULL REFERENCES specimen,
  position INTEGER NOT NULL,
  path TEXT NOT NULL,
  status TEXT NOT NULL,
  reason TEXT NOT NULL,
  region TEXT NOT NULL,
  UNIQUE (specimen_id, path, region)
) STRICT;

CREATE TABLE identification (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  specimen_id TEXT NOT NULL REFERENCES specimen,
  kind TEXT NOT NULL CHECK (kind IN ('machine', 'reading', 'settling', 'withdrawal')),
  identified_by TEXT NOT NULL,
  at TEXT NOT NULL,
  outcome TEXT NOT NULL,
  scientific_name TEXT NOT NULL,
  taxon_rank TEXT NOT NULL,
  qualifier TEXT NOT NULL,
  life_stage TEXT NOT NULL,
  sex TEXT NOT NULL,
  feeding TEXT NOT NULL,
  confidence TEXT NOT NULL,
  based_on TEXT NOT NULL,
  remarks TEXT NOT NULL,
  length_mm REAL,
  characters TEXT NOT NULL,               -- what the reader saw, JSON list
  looked INTEGER NOT NULL,                -- had asked for the model's shortlist before deciding
  second_wanted TEXT NOT NULL,            -- why a second reader is wanted, '' if none
  withdraws INTEGER REFERENCES identification,
  key TEXT UNIQUE                         -- of the form that was sent: the same form never counts twice
) STRICT;
CREATE INDEX identification_specimen ON identification (specimen_id);
CREATE TRIGGER identification_stays BEFORE UPDATE ON identification
  BEGIN SELECT RAISE(ABORT, 'identifications are never changed'); END;
CREATE TRIGGER identification_kept BEFORE DELETE ON identification
  BEGIN SELECT RAISE(ABORT, 'identifications are never removed'); END;
CREATE TRIGGER picked_is_not_drawn BEFORE INSERT ON specimen WHEN NEW.is_random AND NEW.is_picked
  BEGIN SELECT RAISE(ABORT, 'what is picked for its doubt is no random draw'); END;
CREATE TRIGGER drawn_once BEFORE UPDATE OF is_random ON specimen WHEN NEW.is_random IS NOT OLD.is_random
  BEGIN SELECT RAISE(ABORT, 'whether a specimen was drawn at random is settled when it comes in'); END;

CREATE TABLE lock (specimen_id TEXT PRIMARY KEY, reader TEXT NOT NULL, until TEXT NOT NULL) STRICT;
CREATE TABLE draft (
  specimen_id TEXT NOT NULL, reader TEXT NOT NULL, at TEXT NOT NULL, form TEXT NOT NULL,
  PRIMARY KEY (specimen_id, reader)
) STRICT;
CREATE TABLE event (
  id INTEGER PRIMARY KEY, at TEXT NOT NULL, reader TEXT NOT NULL, specimen_id TEXT NOT NULL, what TEXT NOT NULL
) STRICT;
CREATE INDEX event_specimen ON event (specimen_id, reader);

CREATE TABLE reader (name TEXT PRIMARY KEY, password_hash TEXT NOT NULL, added_at TEXT NOT NULL) STRICT;
CREATE TABLE session (token_hash TEXT PRIMARY KEY, reader TEXT NOT NULL, seen_at TEXT NOT NULL) STRICT;
CREATE TABLE wrong_password (at TEXT NOT NULL, name TEXT NOT NULL, address TEXT NOT NULL) STRICT;
CREATE INDEX wrong_password_at ON wrong_password (at);
