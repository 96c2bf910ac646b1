-- A book as it was written with schema 2, sqlite. Never edited: such books exist.

CREATE TABLE about (
    "key" TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY ("key")
);
CREATE TABLE jobs (
    id INTEGER NOT NULL,
    made_utc TEXT NOT NULL,
    changed_utc TEXT NOT NULL,
    title TEXT NOT NULL,
    body TEXT NOT NULL,
    file TEXT,
    PRIMARY KEY (id)
);
CREATE UNIQUE INDEX jobs_by_file ON jobs (file);
CREATE TABLE settings (
    "key" TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY ("key")
);
CREATE TABLE wheels (
    name TEXT NOT NULL,
    learnt_utc TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (name)
);
CREATE TABLE readings (
    id INTEGER NOT NULL,
    job_id INTEGER NOT NULL,
    taken_utc TEXT NOT NULL,
    name TEXT NOT NULL,
    value FLOAT NOT NULL,
    measured_at TEXT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(job_id) REFERENCES jobs (id) ON DELETE CASCADE
);
CREATE INDEX readings_of_job ON readings (job_id);
CREATE TABLE recordings (
    id INTEGER NOT NULL,
    uid TEXT NOT NULL,
    job_id INTEGER,
    started_utc TEXT NOT NULL,
    written_utc TEXT NOT NULL,
    ended_utc TEXT,
    tick_ns FLOAT NOT NULL,
    t0_s FLOAT NOT NULL,
    channels TEXT NOT NULL,
    source TEXT NOT NULL,
    settings TEXT NOT NULL,
    until_tick BIGINT,
    chunks INTEGER NOT NULL,
    edges BIGINT NOT NULL,
    result TEXT,
    result_utc TEXT,
    PRIMARY KEY (id),
    UNIQUE (uid),
    FOREIGN KEY(job_id) REFERENCES jobs (id) ON DELETE SET NULL
);
CREATE INDEX recordings_by_time ON recordings (started_utc);
CREATE INDEX recordings_of_job ON recordings (job_id);
CREATE TABLE blinds (
    id INTEGER NOT NULL,
    recording_id INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    start_tick BIGINT NOT NULL,
    end_tick BIGINT NOT NULL,
    reason TEXT NOT NULL,
    channel TEXT,
    PRIMARY KEY (id),
    FOREIGN KEY(recording_id) REFERENCES recordings (id) ON DELETE CASCADE
);
CREATE INDEX blinds_of_recording ON blinds (recording_id, seq);
CREATE TABLE chunks (
    recording_id INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    until_tick BIGINT NOT NULL,
    edges INTEGER NOT NULL,
    encoding SMALLINT NOT NULL,
    crc32 BIGINT NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (recording_id, seq),
    FOREIGN KEY(recording_id) REFERENCES recordings (id) ON DELETE CASCADE
);
CREATE TABLE events (
    id INTEGER NOT NULL,
    recording_id INTEGER NOT NULL,
    kind TEXT NOT NULL,
    channel TEXT NOT NULL,
    tick BIGINT NOT NULL,
    end_tick BIGINT NOT NULL,
    revolution BIGINT,
    tooth INTEGER,
    angle_deg FLOAT,
    count BIGINT NOT NULL,
    level SMALLINT,
    more TEXT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(recording_id) REFERENCES recordings (id) ON DELETE CASCADE
);
CREATE INDEX events_of_recording ON events (recording_id, tick);
CREATE TABLE marks (
    id INTEGER NOT NULL,
    recording_id INTEGER NOT NULL,
    tick BIGINT NOT NULL,
    place TEXT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(recording_id) REFERENCES recordings (id) ON DELETE CASCADE
);
CREATE INDEX marks_of_recording ON marks (recording_id, tick);
CREATE TABLE measures (
    id INTEGER NOT NULL,
    recording_id INTEGER NOT NULL,
    name TEXT NOT NULL,
    value FLOAT NOT NULL,
    unit TEXT NOT NULL,
    uncertainty FLOAT,
    about TEXT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(recording_id) REFERENCES recordings (id) ON DELETE CASCADE
);
CREATE INDEX measures_of_recording ON measures (recording_id);
CREATE TABLE notes (
    id INTEGER NOT NULL,
    written_utc TEXT NOT NULL,
    job_id INTEGER,
    recording_id INTEGER,
    text TEXT NOT NULL,
    PRIMARY KEY (id),
    FOREIGN KEY(job_id) REFERENCES jobs (id) ON DELETE CASCADE,
    FOREIGN KEY(recording_id) REFERENCES recordings (id) ON DELETE CASCADE
);
CREATE INDEX notes_of_job ON notes (job_id);
CREATE INDEX notes_of_recording ON notes (recording_id);
INSERT INTO about (key, value) VALUES ('schema', '2');
INSERT INTO jobs (id, made_utc, changed_utc, title, body, file) VALUES (3, '2026-11-01T08:00:00.000000Z', '2026-11-01T08:00:00.000000Z', 'old van', '[vehicle]
name = "old van"
', 'shop:/cards/van.toml');
INSERT INTO readings (id, job_id, taken_utc, name, value, measured_at) VALUES (1, 3, '2026-11-01T08:00:00.000000Z', 'feed_v', 5.02, 'sensor');
INSERT INTO recordings (id, uid, job_id, started_utc, written_utc, ended_utc, tick_ns, t0_s, channels, source, settings, until_tick, chunks, edges, result, result_utc)
 VALUES (7, '00000000000000000000000000000007', 3, '2026-11-02T08:00:00.000000Z', '2026-11-02T08:00:00.000000Z', '2026-11-02T08:00:00.000000Z', 16.0, 0.0, '["crank"]', '{"rig": "here"}', '{}', 12033037, 1, 300, '{"schema": 1, "measures": [{"name": "duty", "value": 0.5, "unit": "1", "uncertainty": null}]}', '2026-11-02T08:00:00.000000Z');
INSERT INTO chunks (recording_id, seq, until_tick, edges, encoding, crc32, data)
 VALUES (7, 0, 12033037, 300, 1, 121853970, x'780125c5594814610000e0d57c30c81ea21e24a2c2600dd6a890d04223af4dd3b294d4a44216cb25c2042b823c50c20ee7dc39ff39768e7fee948ce8214aec3057da320bc14ad3e8000d91528236a288be972f90e4f38505df7fc9ff9273abee6eae290e9f88bdddda668507e315976f06c65a020bc3851de9ddcffc2f41cefb5f475ee5afc1433b4683c5a97d9d25a3d77a82878c3b8bb1a191fc4feba73eff883d2d4b4caddd329bd844ceb9b78a8ffa1f0f35cec46ff4b1c1ccc37bedbc58a23e675e4cdc1e0342a0a3aeedfa6c4af5c9afdbeb27c79f5fdf78f5fe7873655d114889f91fb0d5df069ae89e0971d5c5d08217abadbe90513e5fe02b7f074379d3a0951e3c93f224abaef48ab0fb43764672e98bd6d74ba3fd8b4961d01d2a6b5c0dd2f7dceb6ad8f73de9605c5a7e54f97065ee2eb376aebf3f7c694573dce86b181e914f77ce742dbf993e5fd5967a566fdfb033edcfcfe3edfe96a5a61a63f17760a2b7aefbd897e0818aa2acf1027feaa98fdb4aa6870bcf65677293036673dabafd227411c27429c6e26993e21509432c684a26030c9cc1818773bc4d8a1402515a14700fba984e4b0ead138ccb8b34ce2b00b251e8f0882e5980438102ad48d4a058531655d183282199a80a0d8b940c9614b088a55aa6cd0851dae935154ae74d8f16229a62199e6b1388c0da062f476d445081e39a828daa34a5423b62990c0a4d812038c8209a4ecabcd8ab50121fc5380572882eaa04b02d46c10c9a75258b841e46111483da9403490de23887f2822a83880c4c4d97391ac81c8123244f938cc63832eeda903034a84559c7d35851c630418e50b823d2864bdbd0901ce22fb0b04f4f');
INSERT INTO blinds (id, recording_id, seq, start_tick, end_tick, reason, channel) VALUES (1, 7, 0, 100, 200, 'drop', 'crank');
INSERT INTO marks (id, recording_id, tick, place) VALUES (1, 7, 120, 'plug at the sensor');
INSERT INTO events (id, recording_id, kind, channel, tick, end_tick, revolution, tooth, angle_deg, count, level, more)
 VALUES (1, 7, 'missing', 'crank', 5, 9, 0, 17, 96.0, 1, 0, '{}');
INSERT INTO measures (id, recording_id, name, value, unit, uncertainty, about) VALUES (1, 7, 'duty', 0.5, '1', NULL, '{}');
INSERT INTO notes (id, written_utc, job_id, recording_id, text) VALUES (1, '2026-11-02T08:00:00.000000Z', NULL, 7, 'moved by hand'), (2, '2026-11-02T08:00:00.000000Z', 3, NULL, 'customer waits');
INSERT INTO settings (key, value) VALUES ('beep', 'true');
INSERT INTO wheels (name, learnt_utc, body) VALUES ('bench master', '2026-11-03T08:00:00.000000Z', '{"slots": 60}');
