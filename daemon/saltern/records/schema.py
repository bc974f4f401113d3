"""The database's versions, each a step from the one before. A step, once released, never changes."""

SUMMED = (
    "determination", "draft", "ledger", "latch", "alert", "log_entry", "condition", "outlet", "part", "away",
    "bench_file", "proof", "bypass", "calibration", "calibration_force", "usage", "state",
)  # fmt: skip

_SET_ASIDE = """
    CREATE TABLE set_aside (                  -- rows that are not as they were written; what they say does not count
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, table_name TEXT NOT NULL, row_id INTEGER NOT NULL,
        why TEXT NOT NULL,
        content TEXT                          -- as found, in SQL literals
    );
    CREATE VIEW v_set_aside AS SELECT id, at_utc, table_name, row_id, why, content FROM set_aside;
    """

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE determination (
        id INTEGER PRIMARY KEY,
        source TEXT NOT NULL,
        started_utc TEXT NOT NULL,            -- ISO 8601
        started_monotonic_s REAL NOT NULL,
        finished_monotonic_s REAL NOT NULL,
        ph_read_monotonic_s REAL,
        boot_id TEXT NOT NULL,
        method TEXT NOT NULL,
        alkalinity_umol_kg REAL, alkalinity_u_umol_kg REAL,
        alkalinity_verdict TEXT NOT NULL, alkalinity_reasons TEXT NOT NULL,
        ph_total REAL, ph_total_u REAL, ph_total_verdict TEXT NOT NULL, ph_total_reasons TEXT NOT NULL,
        salinity REAL, salinity_u REAL, salinity_verdict TEXT NOT NULL, salinity_reasons TEXT NOT NULL,
        ph_nbs REAL, temperature_c REAL, sample_g REAL, titrant_ml REAL NOT NULL,
        curve BLOB,                           -- records.blobs
        readings BLOB NOT NULL,               -- records.blobs
        conditions TEXT, priors TEXT, end_point TEXT,   -- JSON
        budget_umol_kg TEXT NOT NULL, remarks TEXT NOT NULL  -- JSON
    );
    CREATE INDEX determination_by_time ON determination (started_utc);
    CREATE TABLE ledger (
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, reason TEXT NOT NULL, stage TEXT,
        vessel_low_ml REAL NOT NULL, vessel_high_ml REAL NOT NULL,
        titrant_low_ml REAL NOT NULL, titrant_high_ml REAL NOT NULL,
        waste_low_ml REAL NOT NULL, waste_high_ml REAL NOT NULL,
        titrant_recent_ml REAL NOT NULL, titrant_run_ml REAL NOT NULL
    );
    CREATE TABLE latch (
        id INTEGER PRIMARY KEY, interlock TEXT NOT NULL, set_utc TEXT NOT NULL,
        cleared_utc TEXT, cleared_by TEXT
    );
    CREATE TABLE alert (
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, at_monotonic_s REAL NOT NULL,
        severity INTEGER NOT NULL,            -- RFC 5424
        code TEXT NOT NULL, text TEXT NOT NULL
    );
    CREATE VIEW v_results AS
        SELECT id, source, started_utc, method, alkalinity_umol_kg, alkalinity_u_umol_kg, alkalinity_verdict,
               alkalinity_reasons, ph_total, ph_total_u, ph_total_verdict, salinity, salinity_u, salinity_verdict,
               ph_nbs, temperature_c, titrant_ml
        FROM determination;
    """,
    """
    CREATE TABLE log_entry (
        id INTEGER PRIMARY KEY,
        at_utc TEXT NOT NULL,                 -- when it happened, ISO 8601
        kind TEXT NOT NULL,                   -- dose, water-change, test, remark
        detail TEXT NOT NULL                  -- JSON, by kind; units in its keys
    );
    CREATE INDEX log_by_time ON log_entry (kind, at_utc);
    CREATE TABLE condition (name TEXT PRIMARY KEY, holds INTEGER NOT NULL, set_utc TEXT NOT NULL);
    CREATE VIEW v_log AS SELECT id, at_utc, kind, detail FROM log_entry;
    """,
    """
    CREATE TABLE outlet (                     -- how far each outlet has been heard: what is newer is still to be sent
        name TEXT NOT NULL, kind TEXT NOT NULL, acknowledged INTEGER NOT NULL, PRIMARY KEY (name, kind)
    );
    """,
    """
    CREATE TABLE part (id INTEGER PRIMARY KEY, name TEXT NOT NULL, installed_utc TEXT NOT NULL);
    CREATE TABLE away (until_utc TEXT NOT NULL, gap_h REAL NOT NULL);
    CREATE TABLE bench_file (id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, text TEXT NOT NULL);
    CREATE VIEW v_alerts AS SELECT id, at_utc, severity, code, text FROM alert;
    CREATE VIEW v_trips AS SELECT id, interlock, set_utc, cleared_utc, cleared_by FROM latch;
    CREATE VIEW v_parts AS SELECT id, name, installed_utc FROM part;
    CREATE VIEW v_ledger AS
        SELECT id, at_utc, reason, stage, vessel_low_ml, vessel_high_ml, titrant_low_ml, titrant_high_ml,
               waste_low_ml, waste_high_ml
        FROM ledger;
    """,
    """
    CREATE TABLE draft AS SELECT * FROM determination WHERE 0;  -- the one under way, as far as it has come
    """,
    """
    CREATE TABLE proof (
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, interlock TEXT NOT NULL, passed INTEGER NOT NULL,
        who TEXT NOT NULL
    );
    CREATE TABLE bypass (
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, interlock TEXT NOT NULL, hours REAL NOT NULL,
        why TEXT NOT NULL
    );
    CREATE VIEW v_proofs AS SELECT id, at_utc, interlock, passed, who FROM proof;
    CREATE VIEW v_bypasses AS SELECT id, at_utc, interlock, hours, why FROM bypass;
    """,
    """
    CREATE TABLE calibration (
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, kind TEXT NOT NULL, who TEXT NOT NULL,
        outcome TEXT NOT NULL,                -- accepted, refused, ended
        words TEXT NOT NULL,
        options TEXT NOT NULL,                -- JSON: options of the bench file by dotted name
        before TEXT NOT NULL,                 -- JSON: what they were
        statistics TEXT NOT NULL, readings TEXT NOT NULL  -- JSON
    );
    CREATE TABLE calibration_force (          -- the newest word on a kind counts; NULL: as the bench file says
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, kind TEXT NOT NULL, calibration INTEGER, who TEXT NOT NULL
    );
    CREATE VIEW v_calibrations AS
        SELECT id, at_utc, kind, who, outcome, words, options, statistics FROM calibration;
    ALTER TABLE determination ADD COLUMN calibrations TEXT NOT NULL DEFAULT '{}';  -- JSON: kind to number
    ALTER TABLE determination ADD COLUMN calibrated TEXT NOT NULL DEFAULT '{}';    -- JSON: the options it was made with
    ALTER TABLE draft ADD COLUMN calibrations TEXT NOT NULL DEFAULT '{}';
    ALTER TABLE draft ADD COLUMN calibrated TEXT NOT NULL DEFAULT '{}';
    CREATE TABLE usage (                      -- what each pump has turned since the records began
        pump TEXT PRIMARY KEY, running_s REAL NOT NULL, volume_ml REAL NOT NULL, motions INTEGER NOT NULL
    );
    ALTER TABLE part ADD COLUMN usage TEXT NOT NULL DEFAULT '{}';  -- JSON: of its pump when it was put in
    ALTER TABLE part ADD COLUMN note TEXT NOT NULL DEFAULT '';
    CREATE TABLE state (name TEXT PRIMARY KEY, value TEXT NOT NULL, set_utc TEXT NOT NULL);  -- JSON
    """,
    "\n".join(f"ALTER TABLE {table} ADD COLUMN checksum INTEGER;" for table in SUMMED) + _SET_ASIDE,
    """
    ALTER TABLE determination ADD COLUMN parts TEXT NOT NULL DEFAULT '{}';  -- JSON: the two parts of each uncertainty
    ALTER TABLE draft ADD COLUMN parts TEXT NOT NULL DEFAULT '{}';
    ALTER TABLE determination ADD COLUMN budget_ph TEXT NOT NULL DEFAULT '{}';  -- JSON
    ALTER TABLE draft ADD COLUMN budget_ph TEXT NOT NULL DEFAULT '{}';
    ALTER TABLE determination ADD COLUMN ph_at_tank TEXT;  -- JSON: value, u, temperature_c
    ALTER TABLE draft ADD COLUMN ph_at_tank TEXT;
    DROP VIEW v_results;
    CREATE VIEW v_results AS
        SELECT id, source, started_utc, method, alkalinity_umol_kg, alkalinity_u_umol_kg, alkalinity_verdict,
               alkalinity_reasons, ph_total, ph_total_u, ph_total_verdict, salinity, salinity_u, salinity_verdict,
               ph_nbs, temperature_c, titrant_ml, parts, ph_at_tank
        FROM determination;
    """,
    """
    ALTER TABLE log_entry ADD COLUMN who TEXT NOT NULL DEFAULT '';
    ALTER TABLE log_entry ADD COLUMN said_utc TEXT;       -- when it was written down; NULL: before that was kept
    ALTER TABLE log_entry ADD COLUMN corrects INTEGER;    -- the entry in whose place it stands
    ALTER TABLE log_entry ADD COLUMN batch INTEGER;       -- the first entry of its import
    ALTER TABLE log_entry ADD COLUMN undone_utc TEXT;     -- it no longer counts
    ALTER TABLE log_entry ADD COLUMN undone_by TEXT;
    DROP VIEW v_log;
    CREATE VIEW v_log AS
        SELECT id, at_utc, kind, detail, who, said_utc, corrects, batch, undone_utc, undone_by FROM log_entry;
    CREATE TABLE tank_daily (                 -- a day of the tank as it stood at its end; never smoothed by later days
        day TEXT PRIMARY KEY,                 -- ISO 8601, where the tank is
        at_utc TEXT NOT NULL,                 -- the newest result in it
        results INTEGER NOT NULL,             -- of this day
        alkalinity_dkh REAL, alkalinity_u_dkh REAL,
        consumption_dkh_per_day REAL, consumption_u_dkh_per_day REAL,
        net_dkh_per_day REAL, net_u_dkh_per_day REAL,
        dose_dkh_per_day REAL, correction_dkh REAL, withheld_because TEXT,
        checksum INTEGER
    );
    CREATE VIEW v_tank_daily AS
        SELECT day, at_utc, results, alkalinity_dkh, alkalinity_u_dkh, consumption_dkh_per_day,
               consumption_u_dkh_per_day, net_dkh_per_day, net_u_dkh_per_day, dose_dkh_per_day, correction_dkh,
               withheld_because
        FROM tank_daily;
    CREATE TABLE finding (                    -- what was reported of tank and instrument, as it was worded
        id INTEGER PRIMARY KEY, at_utc TEXT NOT NULL, since_utc TEXT NOT NULL,
        whose TEXT NOT NULL,                  -- tank, instrument, cannot-tell
        cause TEXT NOT NULL, probability REAL NOT NULL, size REAL NOT NULL, u REAL NOT NULL, unit TEXT NOT NULL,
        supersedes INTEGER, ask TEXT, cost_ml REAL, shape TEXT,
        checksum INTEGER
    );
    CREATE VIEW v_findings AS
        SELECT id, at_utc, since_utc, whose, cause, probability, size, u, unit, supersedes, ask, cost_ml FROM finding;
    """,
)
VERSION = len(MIGRATIONS)
