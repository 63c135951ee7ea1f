-- How an alarm stands after an event of it; all NULL where the event is of none.
ALTER TABLE events
    ADD COLUMN alarm_kind text,
    ADD COLUMN alarm_priority text,
    ADD COLUMN alarm_phase text,
    ADD COLUMN alarm_active boolean,
    ADD COLUMN alarm_raised timestamptz,
    ADD COLUMN alarm_value double precision,
    ADD COLUMN alarm_by text,
    ADD COLUMN alarm_until timestamptz,
    ADD COLUMN alarm_why text;
COMMENT ON COLUMN events.alarm_kind IS 'Of an alarm: what is wrong, as a code';
COMMENT ON COLUMN events.alarm_priority IS 'Of an alarm: now, soon or look';
COMMENT ON COLUMN events.alarm_phase IS 'Of an alarm: how it stands after this, as a code';
COMMENT ON COLUMN events.alarm_active IS 'Of an alarm: whether what raises it holds, be it shelved or not';
COMMENT ON COLUMN events.alarm_raised IS 'Of an alarm: UTC, when it was last raised; NULL: never';
COMMENT ON COLUMN events.alarm_value IS 'Of an alarm: SI, of what it judges, when it was raised';
COMMENT ON COLUMN events.alarm_by IS 'Of an alarm: who acknowledged or shelved it, or took it out of service';
COMMENT ON COLUMN events.alarm_until IS 'Of an alarm: UTC, when a shelf or an absence from service ends by itself';
COMMENT ON COLUMN events.alarm_why IS 'Of an alarm: what that person gave as a reason';
