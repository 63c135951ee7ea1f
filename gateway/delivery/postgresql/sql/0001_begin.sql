-- The tables and views of one schema of a database; several sites and gateways may share them.
-- Names stand without their schema: the search path is set to it. Where TimescaleDB is there, PARTITION BY is left out
-- and the tables become hypertables.

CREATE TABLE schema_steps (
    number integer PRIMARY KEY,
    applied timestamptz NOT NULL DEFAULT now()
);
COMMENT ON TABLE schema_steps IS 'Which numbered steps of this schema have been taken; kept by tank-gateway';

-- In the order from good to bad, so that max() is the worst.
CREATE TYPE quality AS ENUM ('Good', 'Uncertain', 'Bad');

CREATE TABLE sites (
    site text PRIMARY KEY,
    time_zone text,
    day_begins time NOT NULL DEFAULT '00:00',
    longest_age interval NOT NULL DEFAULT '10 minutes'
);
COMMENT ON TABLE sites IS 'What the views need to know of each site';
COMMENT ON COLUMN sites.time_zone IS 'IANA key, written by the gateway at each connect; NULL: this server does not know the zone of the site, and closings and days have no rows of it';
COMMENT ON COLUMN sites.day_begins IS 'Local time at which a day of closings and days begins; yours to change';
COMMENT ON COLUMN sites.longest_age IS 'Older than this a record is neither newest nor a closing; set it above the interval of history; yours to change';

CREATE TABLE tanks (
    site text,
    tank text,
    PRIMARY KEY (site, tank)
);
COMMENT ON TABLE tanks IS 'Every tank of which a record has come';

CREATE TABLE records (
    instant timestamptz NOT NULL,
    sequence bigint NOT NULL,
    previous_sequence bigint,
    oldest_input timestamptz,
    arrived timestamptz NOT NULL DEFAULT now(),
    minimum_level_m double precision,
    maximum_working_level_m double precision,
    high_high_level_m double precision,
    critical_high_level_m double precision,
    reference_temperature_degc double precision,
    level_m double precision,
    ullage_m double precision,
    second_level_m double precision,
    level_difference_m double precision,
    water_level_m double precision,
    liquid_temperature_degc double precision,
    temperature_spread_degc double precision,
    vapour_temperature_degc double precision,
    ambient_temperature_degc double precision,
    bottom_pressure_pa double precision,
    vapour_pressure_pa double precision,
    tov_m3 double precision,
    fill_ratio double precision,
    measured_density_kg_m3 double precision,
    density_difference_kg_m3 double precision,
    free_water_m3 double precision,
    shell_temperature_degc double precision,
    ctsh_ratio double precision,
    reference_density_kg_m3 double precision,
    observed_density_kg_m3 double precision,
    ctl_ratio double precision,
    cpl_ratio double precision,
    head_adjustment_m3 double precision,
    roof_displacement_m3 double precision,
    gov_m3 double precision,
    gsv_m3 double precision,
    sediment_water_ratio double precision,
    nsv_m3 double precision,
    mass_kg double precision,
    weight_in_air_kg double precision,
    net_mass_kg double precision,
    net_weight_in_air_kg double precision,
    solute_mass_kg double precision,
    vapour_density_kg_m3 double precision,
    vapour_mass_kg double precision,
    total_mass_kg double precision,
    pumpable_m3 double precision,
    room_m3 double precision,
    quality quality NOT NULL,
    level_quality quality NOT NULL,
    ullage_quality quality NOT NULL,
    second_level_quality quality NOT NULL,
    level_difference_quality quality NOT NULL,
    water_level_quality quality NOT NULL,
    liquid_temperature_quality quality NOT NULL,
    temperature_spread_quality quality NOT NULL,
    vapour_temperature_quality quality NOT NULL,
    ambient_temperature_quality quality NOT NULL,
    bottom_pressure_quality quality NOT NULL,
    vapour_pressure_quality quality NOT NULL,
    tov_quality quality NOT NULL,
    fill_quality quality NOT NULL,
    measured_density_quality quality NOT NULL,
    density_difference_quality quality NOT NULL,
    free_water_quality quality NOT NULL,
    shell_temperature_quality quality NOT NULL,
    ctsh_quality quality NOT NULL,
    reference_density_quality quality NOT NULL,
    observed_density_quality quality NOT NULL,
    ctl_quality quality NOT NULL,
    cpl_quality quality NOT NULL,
    head_adjustment_quality quality NOT NULL,
    roof_displacement_quality quality NOT NULL,
    gov_quality quality NOT NULL,
    gsv_quality quality NOT NULL,
    sediment_water_quality quality NOT NULL,
    nsv_quality quality NOT NULL,
    mass_quality quality NOT NULL,
    weight_in_air_quality quality NOT NULL,
    net_mass_quality quality NOT NULL,
    net_weight_in_air_quality quality NOT NULL,
    solute_mass_quality quality NOT NULL,
    vapour_density_quality quality NOT NULL,
    vapour_mass_quality quality NOT NULL,
    total_mass_quality quality NOT NULL,
    pumpable_quality quality NOT NULL,
    room_quality quality NOT NULL,
    limit_quality quality NOT NULL,
    simulated boolean NOT NULL,
    site text NOT NULL,
    tank text NOT NULL,
    boot text NOT NULL,
    previous_boot text,
    product text NOT NULL,
    reason_code text,
    reason_text text,
    level_source text NOT NULL,
    temperature_source text NOT NULL,
    water_source text NOT NULL,
    density_source text NOT NULL,
    limit_state text NOT NULL,
    roof_zone text,
    plan text NOT NULL,
    reasons jsonb,
    last_good jsonb,
    manual_figures text[],
    none_detected text[],
    element_height_m double precision[],
    element_temperature_degc double precision[],
    element_quality quality[],
    element_used boolean[],
    PRIMARY KEY (site, tank, instant, boot, sequence),
    CONSTRAINT bad_has_no_value CHECK (
        (level_quality <> 'Bad' OR level_m IS NULL) AND
        (ullage_quality <> 'Bad' OR ullage_m IS NULL) AND
        (second_level_quality <> 'Bad' OR second_level_m IS NULL) AND
        (level_difference_quality <> 'Bad' OR level_difference_m IS NULL) AND
        (water_level_quality <> 'Bad' OR water_level_m IS NULL) AND
        (liquid_temperature_quality <> 'Bad' OR liquid_temperature_degc IS NULL) AND
        (temperature_spread_quality <> 'Bad' OR temperature_spread_degc IS NULL) AND
        (vapour_temperature_quality <> 'Bad' OR vapour_temperature_degc IS NULL) AND
        (ambient_temperature_quality <> 'Bad' OR ambient_temperature_degc IS NULL) AND
        (bottom_pressure_quality <> 'Bad' OR bottom_pressure_pa IS NULL) AND
        (vapour_pressure_quality <> 'Bad' OR vapour_pressure_pa IS NULL) AND
        (tov_quality <> 'Bad' OR tov_m3 IS NULL) AND
        (fill_quality <> 'Bad' OR fill_ratio IS NULL) AND
        (measured_density_quality <> 'Bad' OR measured_density_kg_m3 IS NULL) AND
        (density_difference_quality <> 'Bad' OR density_difference_kg_m3 IS NULL) AND
        (free_water_quality <> 'Bad' OR free_water_m3 IS NULL) AND
        (shell_temperature_quality <> 'Bad' OR shell_temperature_degc IS NULL) AND
        (ctsh_quality <> 'Bad' OR ctsh_ratio IS NULL) AND
        (reference_density_quality <> 'Bad' OR reference_density_kg_m3 IS NULL) AND
        (observed_density_quality <> 'Bad' OR observed_density_kg_m3 IS NULL) AND
        (ctl_quality <> 'Bad' OR ctl_ratio IS NULL) AND
        (cpl_quality <> 'Bad' OR cpl_ratio IS NULL) AND
        (head_adjustment_quality <> 'Bad' OR head_adjustment_m3 IS NULL) AND
        (roof_displacement_quality <> 'Bad' OR roof_displacement_m3 IS NULL) AND
        (gov_quality <> 'Bad' OR gov_m3 IS NULL) AND
        (gsv_quality <> 'Bad' OR gsv_m3 IS NULL) AND
        (sediment_water_quality <> 'Bad' OR sediment_water_ratio IS NULL) AND
        (nsv_quality <> 'Bad' OR nsv_m3 IS NULL) AND
        (mass_quality <> 'Bad' OR mass_kg IS NULL) AND
        (weight_in_air_quality <> 'Bad' OR weight_in_air_kg IS NULL) AND
        (net_mass_quality <> 'Bad' OR net_mass_kg IS NULL) AND
        (net_weight_in_air_quality <> 'Bad' OR net_weight_in_air_kg IS NULL) AND
        (solute_mass_quality <> 'Bad' OR solute_mass_kg IS NULL) AND
        (vapour_density_quality <> 'Bad' OR vapour_density_kg_m3 IS NULL) AND
        (vapour_mass_quality <> 'Bad' OR vapour_mass_kg IS NULL) AND
        (total_mass_quality <> 'Bad' OR total_mass_kg IS NULL) AND
        (pumpable_quality <> 'Bad' OR pumpable_m3 IS NULL) AND
        (room_quality <> 'Bad' OR room_m3 IS NULL)
    )
) PARTITION BY RANGE (instant);
COMMENT ON TABLE records IS 'History: one row for each record of a tank. Monitoring only; not for custody transfer';
COMMENT ON COLUMN records.instant IS 'UTC, for which the sheet was calculated';
COMMENT ON COLUMN records.sequence IS 'Counts per tank and boot from 1; with site, tank and boot it names the record';
COMMENT ON COLUMN records.previous_sequence IS 'Of the record of history before this one of the tank, with previous_boot: if you have another, some are missing';
COMMENT ON COLUMN records.oldest_input IS 'UTC, when the oldest input of the figures that have a value was read; NULL: not known';
COMMENT ON COLUMN records.arrived IS 'When this database took it in';
COMMENT ON COLUMN records.minimum_level_m IS 'Limit, m above the datum';
COMMENT ON COLUMN records.maximum_working_level_m IS 'Limit, m above the datum';
COMMENT ON COLUMN records.high_high_level_m IS 'Limit, m above the datum';
COMMENT ON COLUMN records.critical_high_level_m IS 'Limit, m above the datum';
COMMENT ON COLUMN records.reference_temperature_degc IS 'To which standard volumes and the density at reference temperature are brought, degC';
COMMENT ON COLUMN records.quality IS 'Worst of the figures that count for the tank';
COMMENT ON COLUMN records.limit_quality IS 'Of limit_state';
COMMENT ON COLUMN records.simulated IS 'No real liquid stands behind this row';
COMMENT ON COLUMN records.site IS 'Name of the site';
COMMENT ON COLUMN records.tank IS 'Name of the tank';
COMMENT ON COLUMN records.boot IS 'Start of the gateway, 128 random bits';
COMMENT ON COLUMN records.previous_boot IS 'See previous_sequence';
COMMENT ON COLUMN records.product IS 'Name of the product in the site file';
COMMENT ON COLUMN records.reason_code IS 'Why quality is not Good: code of the first of the worst figures';
COMMENT ON COLUMN records.reason_text IS 'The same in a sentence';
COMMENT ON COLUMN records.level_source IS 'What the level rests on, as a code';
COMMENT ON COLUMN records.temperature_source IS 'What the liquid temperature rests on, as a code';
COMMENT ON COLUMN records.water_source IS 'What the free-water level rests on, as a code';
COMMENT ON COLUMN records.density_source IS 'What the densities rest on, as a code';
COMMENT ON COLUMN records.limit_state IS 'Where the level stands against the limits, as a code; no alarm';
COMMENT ON COLUMN records.roof_zone IS 'Of a floating roof, as a code';
COMMENT ON COLUMN records.plan IS 'Of what the sheet was made by: records of one plan were made by the same tables and constants';
COMMENT ON COLUMN records.reasons IS 'Of each figure that is not Good: code and text';
COMMENT ON COLUMN records.last_good IS 'Of each figure that is Bad: its last Good value, in the unit of its column, and its time';
COMMENT ON COLUMN records.manual_figures IS 'Names of the figures that rest on a value entered by a person; NULL: none';
COMMENT ON COLUMN records.none_detected IS 'Names of the figures that are Good and have no value since nothing was detected; the other Good ones without a value do not apply to this tank; NULL: none';
COMMENT ON COLUMN records.element_height_m IS 'Temperature elements, lowest first: height above the datum, m';
COMMENT ON COLUMN records.element_temperature_degc IS 'The same elements: degC, NULL where Bad';
COMMENT ON COLUMN records.element_quality IS 'The same elements';
COMMENT ON COLUMN records.element_used IS 'The same elements: whether it is part of the average';
COMMENT ON COLUMN records.level_m IS 'Level above the datum, m; NULL where Bad or without a value';
COMMENT ON COLUMN records.level_quality IS 'Of level_m';
COMMENT ON COLUMN records.ullage_m IS 'Ullage from the reference point, m; NULL where Bad or without a value';
COMMENT ON COLUMN records.ullage_quality IS 'Of ullage_m';
COMMENT ON COLUMN records.second_level_m IS 'Level by the second gauge, m; NULL where Bad or without a value';
COMMENT ON COLUMN records.second_level_quality IS 'Of second_level_m';
COMMENT ON COLUMN records.level_difference_m IS 'Difference of the two gauges, m; NULL where Bad or without a value';
COMMENT ON COLUMN records.level_difference_quality IS 'Of level_difference_m';
COMMENT ON COLUMN records.water_level_m IS 'Free-water level, m; NULL where Bad or without a value';
COMMENT ON COLUMN records.water_level_quality IS 'Of water_level_m';
COMMENT ON COLUMN records.liquid_temperature_degc IS 'Average liquid temperature, degC; NULL where Bad or without a value';
COMMENT ON COLUMN records.liquid_temperature_quality IS 'Of liquid_temperature_degc';
COMMENT ON COLUMN records.temperature_spread_degc IS 'Spread of the elements used, degC; NULL where Bad or without a value';
COMMENT ON COLUMN records.temperature_spread_quality IS 'Of temperature_spread_degc';
COMMENT ON COLUMN records.vapour_temperature_degc IS 'Average vapour temperature, degC; NULL where Bad or without a value';
COMMENT ON COLUMN records.vapour_temperature_quality IS 'Of vapour_temperature_degc';
COMMENT ON COLUMN records.ambient_temperature_degc IS 'Ambient temperature, degC; NULL where Bad or without a value';
COMMENT ON COLUMN records.ambient_temperature_quality IS 'Of ambient_temperature_degc';
COMMENT ON COLUMN records.bottom_pressure_pa IS 'Pressure at the nozzle, gauge, Pa; NULL where Bad or without a value';
COMMENT ON COLUMN records.bottom_pressure_quality IS 'Of bottom_pressure_pa';
COMMENT ON COLUMN records.vapour_pressure_pa IS 'Vapour pressure, gauge, Pa; NULL where Bad or without a value';
COMMENT ON COLUMN records.vapour_pressure_quality IS 'Of vapour_pressure_pa';
COMMENT ON COLUMN records.tov_m3 IS 'Total observed volume, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.tov_quality IS 'Of tov_m3';
COMMENT ON COLUMN records.fill_ratio IS 'Part of the full capacity taken up, ratio; NULL where Bad or without a value';
COMMENT ON COLUMN records.fill_quality IS 'Of fill_ratio';
COMMENT ON COLUMN records.measured_density_kg_m3 IS 'Density measured by pressure, kg/m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.measured_density_quality IS 'Of measured_density_kg_m3';
COMMENT ON COLUMN records.density_difference_kg_m3 IS 'Measured less entered density, kg/m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.density_difference_quality IS 'Of density_difference_kg_m3';
COMMENT ON COLUMN records.free_water_m3 IS 'Free water, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.free_water_quality IS 'Of free_water_m3';
COMMENT ON COLUMN records.shell_temperature_degc IS 'Shell temperature, degC; NULL where Bad or without a value';
COMMENT ON COLUMN records.shell_temperature_quality IS 'Of shell_temperature_degc';
COMMENT ON COLUMN records.ctsh_ratio IS 'Correction for the shell''s temperature, ratio; NULL where Bad or without a value';
COMMENT ON COLUMN records.ctsh_quality IS 'Of ctsh_ratio';
COMMENT ON COLUMN records.reference_density_kg_m3 IS 'Density at reference temperature, kg/m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.reference_density_quality IS 'Of reference_density_kg_m3';
COMMENT ON COLUMN records.observed_density_kg_m3 IS 'Density at tank temperature, kg/m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.observed_density_quality IS 'Of observed_density_kg_m3';
COMMENT ON COLUMN records.ctl_ratio IS 'Correction for the liquid''s temperature, ratio; NULL where Bad or without a value';
COMMENT ON COLUMN records.ctl_quality IS 'Of ctl_ratio';
COMMENT ON COLUMN records.cpl_ratio IS 'Correction for the liquid''s pressure, ratio; NULL where Bad or without a value';
COMMENT ON COLUMN records.cpl_quality IS 'Of cpl_ratio';
COMMENT ON COLUMN records.head_adjustment_m3 IS 'Adjustment for the liquid''s head, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.head_adjustment_quality IS 'Of head_adjustment_m3';
COMMENT ON COLUMN records.roof_displacement_m3 IS 'Floating roof adjustment, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.roof_displacement_quality IS 'Of roof_displacement_m3';
COMMENT ON COLUMN records.gov_m3 IS 'Gross observed volume, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.gov_quality IS 'Of gov_m3';
COMMENT ON COLUMN records.gsv_m3 IS 'Gross standard volume, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.gsv_quality IS 'Of gsv_m3';
COMMENT ON COLUMN records.sediment_water_ratio IS 'Sediment and water, ratio; NULL where Bad or without a value';
COMMENT ON COLUMN records.sediment_water_quality IS 'Of sediment_water_ratio';
COMMENT ON COLUMN records.nsv_m3 IS 'Net standard volume, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.nsv_quality IS 'Of nsv_m3';
COMMENT ON COLUMN records.mass_kg IS 'Mass of the liquid with any S&W, in vacuo, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.mass_quality IS 'Of mass_kg';
COMMENT ON COLUMN records.weight_in_air_kg IS 'Weight in air of the liquid with any S&W, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.weight_in_air_quality IS 'Of weight_in_air_kg';
COMMENT ON COLUMN records.net_mass_kg IS 'Net standard mass, without S&W, in vacuo, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.net_mass_quality IS 'Of net_mass_kg';
COMMENT ON COLUMN records.net_weight_in_air_kg IS 'Net standard weight in air, without S&W, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.net_weight_in_air_quality IS 'Of net_weight_in_air_kg';
COMMENT ON COLUMN records.solute_mass_kg IS 'Dry substance in the solution, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.solute_mass_quality IS 'Of solute_mass_kg';
COMMENT ON COLUMN records.vapour_density_kg_m3 IS 'Density of the vapour, kg/m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.vapour_density_quality IS 'Of vapour_density_kg_m3';
COMMENT ON COLUMN records.vapour_mass_kg IS 'Mass of the vapour, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.vapour_mass_quality IS 'Of vapour_mass_kg';
COMMENT ON COLUMN records.total_mass_kg IS 'Liquid and vapour together, kg; NULL where Bad or without a value';
COMMENT ON COLUMN records.total_mass_quality IS 'Of total_mass_kg';
COMMENT ON COLUMN records.pumpable_m3 IS 'Volume above the minimum, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.pumpable_quality IS 'Of pumpable_m3';
COMMENT ON COLUMN records.room_m3 IS 'Room to the maximum working level, m3; NULL where Bad or without a value';
COMMENT ON COLUMN records.room_quality IS 'Of room_m3';

CREATE TABLE events (
    instant timestamptz NOT NULL,
    sequence bigint NOT NULL,
    arrived timestamptz NOT NULL DEFAULT now(),
    number integer NOT NULL,
    site text NOT NULL,
    tank text NOT NULL,
    boot text NOT NULL,
    kind text NOT NULL,
    subject text NOT NULL,
    reason_code text,
    reason_text text,
    done_by text,
    PRIMARY KEY (site, tank, instant, boot, sequence, number)
) PARTITION BY RANGE (instant);
COMMENT ON TABLE events IS 'What happened to tanks and to gateways: one row each';
COMMENT ON COLUMN events.instant IS 'UTC';
COMMENT ON COLUMN events.sequence IS 'That of the record it came with; of the gateway itself, counts by itself';
COMMENT ON COLUMN events.arrived IS 'When this database took it in';
COMMENT ON COLUMN events.number IS 'Among the events of that identity, from 0';
COMMENT ON COLUMN events.site IS 'Name of the site';
COMMENT ON COLUMN events.tank IS 'Name of the tank; empty: the gateway itself';
COMMENT ON COLUMN events.boot IS 'Start of the gateway, 128 random bits';
COMMENT ON COLUMN events.kind IS 'What happened, as a code';
COMMENT ON COLUMN events.subject IS 'Which instrument, entry or alarm it is about';
COMMENT ON COLUMN events.reason_code IS 'Why, as a code';
COMMENT ON COLUMN events.reason_text IS 'The same in a sentence';
COMMENT ON COLUMN events.done_by IS 'Who did it, where a person did';

-- The newest record of each tank, found by the primary key; what is too old has no values. In all views a record that
-- is dated after now, of a clock that was wrong, neither hides those after it nor closes a day. Simulated time may run ahead.
CREATE VIEW newest AS
SELECT
    t.site,
    t.tank,
    last.instant,
    now() - last.instant AS age,
    coalesce(now.quality, 'Bad') AS quality,
    CASE WHEN now.instant IS NULL THEN 'overdue' ELSE now.reason_code END AS reason_code,
    now.reason_text,
    now.product,
    now.simulated,
    now.limit_state,
    now.roof_zone,
    now.reference_temperature_degc,
    now.manual_figures,
    now.plan,
    now.level_m AS level_m,
    coalesce(now.level_quality, 'Bad') AS level_quality,
    now.ullage_m AS ullage_m,
    coalesce(now.ullage_quality, 'Bad') AS ullage_quality,
    now.second_level_m AS second_level_m,
    coalesce(now.second_level_quality, 'Bad') AS second_level_quality,
    now.level_difference_m AS level_difference_m,
    coalesce(now.level_difference_quality, 'Bad') AS level_difference_quality,
    now.water_level_m AS water_level_m,
    coalesce(now.water_level_quality, 'Bad') AS water_level_quality,
    now.liquid_temperature_degc AS liquid_temperature_degc,
    coalesce(now.liquid_temperature_quality, 'Bad') AS liquid_temperature_quality,
    now.temperature_spread_degc AS temperature_spread_degc,
    coalesce(now.temperature_spread_quality, 'Bad') AS temperature_spread_quality,
    now.vapour_temperature_degc AS vapour_temperature_degc,
    coalesce(now.vapour_temperature_quality, 'Bad') AS vapour_temperature_quality,
    now.ambient_temperature_degc AS ambient_temperature_degc,
    coalesce(now.ambient_temperature_quality, 'Bad') AS ambient_temperature_quality,
    now.bottom_pressure_pa AS bottom_pressure_pa,
    coalesce(now.bottom_pressure_quality, 'Bad') AS bottom_pressure_quality,
    now.vapour_pressure_pa AS vapour_pressure_pa,
    coalesce(now.vapour_pressure_quality, 'Bad') AS vapour_pressure_quality,
    now.tov_m3 AS tov_m3,
    coalesce(now.tov_quality, 'Bad') AS tov_quality,
    now.fill_ratio AS fill_ratio,
    coalesce(now.fill_quality, 'Bad') AS fill_quality,
    now.measured_density_kg_m3 AS measured_density_kg_m3,
    coalesce(now.measured_density_quality, 'Bad') AS measured_density_quality,
    now.density_difference_kg_m3 AS density_difference_kg_m3,
    coalesce(now.density_difference_quality, 'Bad') AS density_difference_quality,
    now.free_water_m3 AS free_water_m3,
    coalesce(now.free_water_quality, 'Bad') AS free_water_quality,
    now.shell_temperature_degc AS shell_temperature_degc,
    coalesce(now.shell_temperature_quality, 'Bad') AS shell_temperature_quality,
    now.ctsh_ratio AS ctsh_ratio,
    coalesce(now.ctsh_quality, 'Bad') AS ctsh_quality,
    now.reference_density_kg_m3 AS reference_density_kg_m3,
    coalesce(now.reference_density_quality, 'Bad') AS reference_density_quality,
    now.observed_density_kg_m3 AS observed_density_kg_m3,
    coalesce(now.observed_density_quality, 'Bad') AS observed_density_quality,
    now.ctl_ratio AS ctl_ratio,
    coalesce(now.ctl_quality, 'Bad') AS ctl_quality,
    now.cpl_ratio AS cpl_ratio,
    coalesce(now.cpl_quality, 'Bad') AS cpl_quality,
    now.head_adjustment_m3 AS head_adjustment_m3,
    coalesce(now.head_adjustment_quality, 'Bad') AS head_adjustment_quality,
    now.roof_displacement_m3 AS roof_displacement_m3,
    coalesce(now.roof_displacement_quality, 'Bad') AS roof_displacement_quality,
    now.gov_m3 AS gov_m3,
    coalesce(now.gov_quality, 'Bad') AS gov_quality,
    now.gsv_m3 AS gsv_m3,
    coalesce(now.gsv_quality, 'Bad') AS gsv_quality,
    now.sediment_water_ratio AS sediment_water_ratio,
    coalesce(now.sediment_water_quality, 'Bad') AS sediment_water_quality,
    now.nsv_m3 AS nsv_m3,
    coalesce(now.nsv_quality, 'Bad') AS nsv_quality,
    now.mass_kg AS mass_kg,
    coalesce(now.mass_quality, 'Bad') AS mass_quality,
    now.weight_in_air_kg AS weight_in_air_kg,
    coalesce(now.weight_in_air_quality, 'Bad') AS weight_in_air_quality,
    now.net_mass_kg AS net_mass_kg,
    coalesce(now.net_mass_quality, 'Bad') AS net_mass_quality,
    now.net_weight_in_air_kg AS net_weight_in_air_kg,
    coalesce(now.net_weight_in_air_quality, 'Bad') AS net_weight_in_air_quality,
    now.solute_mass_kg AS solute_mass_kg,
    coalesce(now.solute_mass_quality, 'Bad') AS solute_mass_quality,
    now.vapour_density_kg_m3 AS vapour_density_kg_m3,
    coalesce(now.vapour_density_quality, 'Bad') AS vapour_density_quality,
    now.vapour_mass_kg AS vapour_mass_kg,
    coalesce(now.vapour_mass_quality, 'Bad') AS vapour_mass_quality,
    now.total_mass_kg AS total_mass_kg,
    coalesce(now.total_mass_quality, 'Bad') AS total_mass_quality,
    now.pumpable_m3 AS pumpable_m3,
    coalesce(now.pumpable_quality, 'Bad') AS pumpable_quality,
    now.room_m3 AS room_m3,
    coalesce(now.room_quality, 'Bad') AS room_quality
FROM tanks t
JOIN sites s ON s.site = t.site
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant < now() + s.longest_age) ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) last
LEFT JOIN LATERAL (
    SELECT * FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant < now() + s.longest_age) AND r.instant > now() - s.longest_age ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) now ON true;
COMMENT ON VIEW newest IS 'Newest record of each tank; older than sites.longest_age it has no values and is Bad, overdue';

-- A day is closed when a later record has come: history comes in order, so what is once shown does not change.
-- A record from before 2020 is of a clock that had not been set: it opens no day and no hour.
CREATE VIEW closings AS
SELECT
    t.site,
    t.tank,
    d.day::date AS day,
    b.ends,
    c.instant,
    coalesce(c.quality, 'Bad') AS quality,
    CASE WHEN c.instant IS NULL THEN 'no_record' ELSE c.reason_code END AS reason_code,
    c.reason_text,
    c.product,
    c.simulated,
    c.limit_state,
    c.roof_zone,
    c.reference_temperature_degc,
    c.manual_figures,
    c.plan,
    c.level_m AS level_m,
    coalesce(c.level_quality, 'Bad') AS level_quality,
    c.ullage_m AS ullage_m,
    coalesce(c.ullage_quality, 'Bad') AS ullage_quality,
    c.second_level_m AS second_level_m,
    coalesce(c.second_level_quality, 'Bad') AS second_level_quality,
    c.level_difference_m AS level_difference_m,
    coalesce(c.level_difference_quality, 'Bad') AS level_difference_quality,
    c.water_level_m AS water_level_m,
    coalesce(c.water_level_quality, 'Bad') AS water_level_quality,
    c.liquid_temperature_degc AS liquid_temperature_degc,
    coalesce(c.liquid_temperature_quality, 'Bad') AS liquid_temperature_quality,
    c.temperature_spread_degc AS temperature_spread_degc,
    coalesce(c.temperature_spread_quality, 'Bad') AS temperature_spread_quality,
    c.vapour_temperature_degc AS vapour_temperature_degc,
    coalesce(c.vapour_temperature_quality, 'Bad') AS vapour_temperature_quality,
    c.ambient_temperature_degc AS ambient_temperature_degc,
    coalesce(c.ambient_temperature_quality, 'Bad') AS ambient_temperature_quality,
    c.bottom_pressure_pa AS bottom_pressure_pa,
    coalesce(c.bottom_pressure_quality, 'Bad') AS bottom_pressure_quality,
    c.vapour_pressure_pa AS vapour_pressure_pa,
    coalesce(c.vapour_pressure_quality, 'Bad') AS vapour_pressure_quality,
    c.tov_m3 AS tov_m3,
    coalesce(c.tov_quality, 'Bad') AS tov_quality,
    c.fill_ratio AS fill_ratio,
    coalesce(c.fill_quality, 'Bad') AS fill_quality,
    c.measured_density_kg_m3 AS measured_density_kg_m3,
    coalesce(c.measured_density_quality, 'Bad') AS measured_density_quality,
    c.density_difference_kg_m3 AS density_difference_kg_m3,
    coalesce(c.density_difference_quality, 'Bad') AS density_difference_quality,
    c.free_water_m3 AS free_water_m3,
    coalesce(c.free_water_quality, 'Bad') AS free_water_quality,
    c.shell_temperature_degc AS shell_temperature_degc,
    coalesce(c.shell_temperature_quality, 'Bad') AS shell_temperature_quality,
    c.ctsh_ratio AS ctsh_ratio,
    coalesce(c.ctsh_quality, 'Bad') AS ctsh_quality,
    c.reference_density_kg_m3 AS reference_density_kg_m3,
    coalesce(c.reference_density_quality, 'Bad') AS reference_density_quality,
    c.observed_density_kg_m3 AS observed_density_kg_m3,
    coalesce(c.observed_density_quality, 'Bad') AS observed_density_quality,
    c.ctl_ratio AS ctl_ratio,
    coalesce(c.ctl_quality, 'Bad') AS ctl_quality,
    c.cpl_ratio AS cpl_ratio,
    coalesce(c.cpl_quality, 'Bad') AS cpl_quality,
    c.head_adjustment_m3 AS head_adjustment_m3,
    coalesce(c.head_adjustment_quality, 'Bad') AS head_adjustment_quality,
    c.roof_displacement_m3 AS roof_displacement_m3,
    coalesce(c.roof_displacement_quality, 'Bad') AS roof_displacement_quality,
    c.gov_m3 AS gov_m3,
    coalesce(c.gov_quality, 'Bad') AS gov_quality,
    c.gsv_m3 AS gsv_m3,
    coalesce(c.gsv_quality, 'Bad') AS gsv_quality,
    c.sediment_water_ratio AS sediment_water_ratio,
    coalesce(c.sediment_water_quality, 'Bad') AS sediment_water_quality,
    c.nsv_m3 AS nsv_m3,
    coalesce(c.nsv_quality, 'Bad') AS nsv_quality,
    c.mass_kg AS mass_kg,
    coalesce(c.mass_quality, 'Bad') AS mass_quality,
    c.weight_in_air_kg AS weight_in_air_kg,
    coalesce(c.weight_in_air_quality, 'Bad') AS weight_in_air_quality,
    c.net_mass_kg AS net_mass_kg,
    coalesce(c.net_mass_quality, 'Bad') AS net_mass_quality,
    c.net_weight_in_air_kg AS net_weight_in_air_kg,
    coalesce(c.net_weight_in_air_quality, 'Bad') AS net_weight_in_air_quality,
    c.solute_mass_kg AS solute_mass_kg,
    coalesce(c.solute_mass_quality, 'Bad') AS solute_mass_quality,
    c.vapour_density_kg_m3 AS vapour_density_kg_m3,
    coalesce(c.vapour_density_quality, 'Bad') AS vapour_density_quality,
    c.vapour_mass_kg AS vapour_mass_kg,
    coalesce(c.vapour_mass_quality, 'Bad') AS vapour_mass_quality,
    c.total_mass_kg AS total_mass_kg,
    coalesce(c.total_mass_quality, 'Bad') AS total_mass_quality,
    c.pumpable_m3 AS pumpable_m3,
    coalesce(c.pumpable_quality, 'Bad') AS pumpable_quality,
    c.room_m3 AS room_m3,
    coalesce(c.room_quality, 'Bad') AS room_quality
FROM tanks t
JOIN sites s ON s.site = t.site AND s.time_zone IS NOT NULL
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant >= '2020-01-01Z') ORDER BY r.instant, r.boot, r.sequence LIMIT 1
) first
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant < now() + s.longest_age) ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) last
CROSS JOIN LATERAL generate_series(
    date_trunc('day', first.instant AT TIME ZONE s.time_zone - s.day_begins),
    date_trunc('day', last.instant AT TIME ZONE s.time_zone - s.day_begins),
    interval '1 day'
) d (day)
CROSS JOIN LATERAL (
    SELECT
        (d.day + s.day_begins) AT TIME ZONE s.time_zone AS begins,
        (d.day + interval '1 day' + s.day_begins) AT TIME ZONE s.time_zone AS ends
) b
LEFT JOIN LATERAL (
    SELECT * FROM records r
    WHERE r.site = t.site AND r.tank = t.tank AND r.instant <= b.ends AND r.instant > b.ends - s.longest_age ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) c ON last.instant > b.ends;
COMMENT ON VIEW closings IS 'The last record of each tank before the end of each day in the time zone of the site; without values and Bad where none came within sites.longest_age before it, or no later one yet';

-- What is in the tank at both ends is one thing only where it is of one product at one reference temperature.
CREATE VIEW days AS
SELECT
    t.site,
    t.tank,
    d.day::date AS day,
    b.begins,
    b.ends,
    o.instant AS opening_instant,
    c.instant AS closing_instant,
    o.product AS opening_product,
    c.product AS closing_product,
    o.simulated OR c.simulated AS simulated,
    o.level_m AS opening_level_m,
    coalesce(o.level_quality, 'Bad') AS opening_level_quality,
    o.liquid_temperature_degc AS opening_liquid_temperature_degc,
    coalesce(o.liquid_temperature_quality, 'Bad') AS opening_liquid_temperature_quality,
    o.reference_density_kg_m3 AS opening_reference_density_kg_m3,
    coalesce(o.reference_density_quality, 'Bad') AS opening_reference_density_quality,
    o.tov_m3 AS opening_tov_m3,
    coalesce(o.tov_quality, 'Bad') AS opening_tov_quality,
    o.free_water_m3 AS opening_free_water_m3,
    coalesce(o.free_water_quality, 'Bad') AS opening_free_water_quality,
    o.gov_m3 AS opening_gov_m3,
    coalesce(o.gov_quality, 'Bad') AS opening_gov_quality,
    o.gsv_m3 AS opening_gsv_m3,
    coalesce(o.gsv_quality, 'Bad') AS opening_gsv_quality,
    o.nsv_m3 AS opening_nsv_m3,
    coalesce(o.nsv_quality, 'Bad') AS opening_nsv_quality,
    o.mass_kg AS opening_mass_kg,
    coalesce(o.mass_quality, 'Bad') AS opening_mass_quality,
    o.net_mass_kg AS opening_net_mass_kg,
    coalesce(o.net_mass_quality, 'Bad') AS opening_net_mass_quality,
    o.weight_in_air_kg AS opening_weight_in_air_kg,
    coalesce(o.weight_in_air_quality, 'Bad') AS opening_weight_in_air_quality,
    c.level_m AS closing_level_m,
    coalesce(c.level_quality, 'Bad') AS closing_level_quality,
    c.liquid_temperature_degc AS closing_liquid_temperature_degc,
    coalesce(c.liquid_temperature_quality, 'Bad') AS closing_liquid_temperature_quality,
    c.reference_density_kg_m3 AS closing_reference_density_kg_m3,
    coalesce(c.reference_density_quality, 'Bad') AS closing_reference_density_quality,
    c.tov_m3 AS closing_tov_m3,
    coalesce(c.tov_quality, 'Bad') AS closing_tov_quality,
    c.free_water_m3 AS closing_free_water_m3,
    coalesce(c.free_water_quality, 'Bad') AS closing_free_water_quality,
    c.gov_m3 AS closing_gov_m3,
    coalesce(c.gov_quality, 'Bad') AS closing_gov_quality,
    c.gsv_m3 AS closing_gsv_m3,
    coalesce(c.gsv_quality, 'Bad') AS closing_gsv_quality,
    c.nsv_m3 AS closing_nsv_m3,
    coalesce(c.nsv_quality, 'Bad') AS closing_nsv_quality,
    c.mass_kg AS closing_mass_kg,
    coalesce(c.mass_quality, 'Bad') AS closing_mass_quality,
    c.net_mass_kg AS closing_net_mass_kg,
    coalesce(c.net_mass_quality, 'Bad') AS closing_net_mass_quality,
    c.weight_in_air_kg AS closing_weight_in_air_kg,
    coalesce(c.weight_in_air_quality, 'Bad') AS closing_weight_in_air_quality,
    c.tov_m3 - o.tov_m3 AS change_tov_m3,
    greatest(coalesce(o.tov_quality, 'Bad'), coalesce(c.tov_quality, 'Bad')) AS change_tov_quality,
    CASE WHEN (o.product, o.reference_temperature_degc) IS NOT DISTINCT FROM (c.product, c.reference_temperature_degc) THEN c.gsv_m3 - o.gsv_m3 END AS change_gsv_m3,
    CASE
        WHEN (o.product, o.reference_temperature_degc) IS NOT DISTINCT FROM (c.product, c.reference_temperature_degc) THEN greatest(coalesce(o.gsv_quality, 'Bad'), coalesce(c.gsv_quality, 'Bad'))
        ELSE 'Bad'
    END AS change_gsv_quality,
    CASE WHEN (o.product, o.reference_temperature_degc) IS NOT DISTINCT FROM (c.product, c.reference_temperature_degc) THEN c.nsv_m3 - o.nsv_m3 END AS change_nsv_m3,
    CASE
        WHEN (o.product, o.reference_temperature_degc) IS NOT DISTINCT FROM (c.product, c.reference_temperature_degc) THEN greatest(coalesce(o.nsv_quality, 'Bad'), coalesce(c.nsv_quality, 'Bad'))
        ELSE 'Bad'
    END AS change_nsv_quality,
    CASE WHEN (o.product, o.reference_temperature_degc) IS NOT DISTINCT FROM (c.product, c.reference_temperature_degc) THEN c.mass_kg - o.mass_kg END AS change_mass_kg,
    CASE
        WHEN (o.product, o.reference_temperature_degc) IS NOT DISTINCT FROM (c.product, c.reference_temperature_degc) THEN greatest(coalesce(o.mass_quality, 'Bad'), coalesce(c.mass_quality, 'Bad'))
        ELSE 'Bad'
    END AS change_mass_quality
FROM tanks t
JOIN sites s ON s.site = t.site AND s.time_zone IS NOT NULL
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant >= '2020-01-01Z') ORDER BY r.instant, r.boot, r.sequence LIMIT 1
) first
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant < now() + s.longest_age) ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) last
CROSS JOIN LATERAL generate_series(
    date_trunc('day', first.instant AT TIME ZONE s.time_zone - s.day_begins),
    date_trunc('day', last.instant AT TIME ZONE s.time_zone - s.day_begins),
    interval '1 day'
) d (day)
CROSS JOIN LATERAL (
    SELECT
        (d.day + s.day_begins) AT TIME ZONE s.time_zone AS begins,
        (d.day + interval '1 day' + s.day_begins) AT TIME ZONE s.time_zone AS ends
) b
LEFT JOIN LATERAL (
    SELECT * FROM records r
    WHERE r.site = t.site AND r.tank = t.tank AND r.instant <= b.begins AND r.instant > b.begins - s.longest_age ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) o ON last.instant > b.begins
LEFT JOIN LATERAL (
    SELECT * FROM records r
    WHERE r.site = t.site AND r.tank = t.tank AND r.instant <= b.ends AND r.instant > b.ends - s.longest_age ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) c ON last.instant > b.ends;
COMMENT ON VIEW days IS 'Opening, closing and their difference for each tank and day in the time zone of the site; a difference is no movement of product by itself, and there is none of standard volumes and masses (Bad) where the tank has another product or reference temperature at the end';

-- From the primary key alone: a filter on tank and hour reads no more than those.
CREATE VIEW hours AS
SELECT
    t.site,
    t.tank,
    h.hour,
    a.records,
    a.good,
    a.uncertain,
    a.bad,
    l.instant AS last_instant,
    l.simulated,
    a.level_lowest_m,
    a.level_highest_m,
    a.level_range_quality,
    a.liquid_temperature_lowest_degc,
    a.liquid_temperature_highest_degc,
    a.liquid_temperature_range_quality,
    a.tov_lowest_m3,
    a.tov_highest_m3,
    a.tov_range_quality,
    a.gsv_lowest_m3,
    a.gsv_highest_m3,
    a.gsv_range_quality,
    a.mass_lowest_kg,
    a.mass_highest_kg,
    a.mass_range_quality,
    l.level_m AS last_level_m,
    coalesce(l.level_quality, 'Bad') AS last_level_quality,
    l.liquid_temperature_degc AS last_liquid_temperature_degc,
    coalesce(l.liquid_temperature_quality, 'Bad') AS last_liquid_temperature_quality,
    l.tov_m3 AS last_tov_m3,
    coalesce(l.tov_quality, 'Bad') AS last_tov_quality,
    l.gsv_m3 AS last_gsv_m3,
    coalesce(l.gsv_quality, 'Bad') AS last_gsv_quality,
    l.nsv_m3 AS last_nsv_m3,
    coalesce(l.nsv_quality, 'Bad') AS last_nsv_quality,
    l.mass_kg AS last_mass_kg,
    coalesce(l.mass_quality, 'Bad') AS last_mass_quality,
    l.room_m3 AS last_room_m3,
    coalesce(l.room_quality, 'Bad') AS last_room_quality,
    l.pumpable_m3 AS last_pumpable_m3,
    coalesce(l.pumpable_quality, 'Bad') AS last_pumpable_quality
FROM tanks t
JOIN sites s ON s.site = t.site
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant >= '2020-01-01Z') ORDER BY r.instant, r.boot, r.sequence LIMIT 1
) first
CROSS JOIN LATERAL (
    SELECT r.instant FROM records r WHERE r.site = t.site AND r.tank = t.tank AND (r.simulated OR r.instant < now() + s.longest_age) ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) last
CROSS JOIN LATERAL generate_series(date_trunc('hour', first.instant, 'UTC'), last.instant, interval '1 hour') h (hour)
CROSS JOIN LATERAL (
    SELECT
        count(*) AS records,
        count(*) FILTER (WHERE r.quality = 'Good') AS good,
        count(*) FILTER (WHERE r.quality = 'Uncertain') AS uncertain,
        count(*) FILTER (WHERE r.quality = 'Bad') AS bad,
        min(r.level_m) AS level_lowest_m,
        max(r.level_m) AS level_highest_m,
        CASE
            WHEN max(r.level_quality) = 'Good' THEN 'Good'::quality
            WHEN count(r.level_m) = 0 THEN 'Bad'
            ELSE 'Uncertain'
        END AS level_range_quality,
        min(r.liquid_temperature_degc) AS liquid_temperature_lowest_degc,
        max(r.liquid_temperature_degc) AS liquid_temperature_highest_degc,
        CASE
            WHEN max(r.liquid_temperature_quality) = 'Good' THEN 'Good'::quality
            WHEN count(r.liquid_temperature_degc) = 0 THEN 'Bad'
            ELSE 'Uncertain'
        END AS liquid_temperature_range_quality,
        min(r.tov_m3) AS tov_lowest_m3,
        max(r.tov_m3) AS tov_highest_m3,
        CASE
            WHEN max(r.tov_quality) = 'Good' THEN 'Good'::quality
            WHEN count(r.tov_m3) = 0 THEN 'Bad'
            ELSE 'Uncertain'
        END AS tov_range_quality,
        min(r.gsv_m3) AS gsv_lowest_m3,
        max(r.gsv_m3) AS gsv_highest_m3,
        CASE
            WHEN max(r.gsv_quality) = 'Good' THEN 'Good'::quality
            WHEN count(r.gsv_m3) = 0 THEN 'Bad'
            ELSE 'Uncertain'
        END AS gsv_range_quality,
        min(r.mass_kg) AS mass_lowest_kg,
        max(r.mass_kg) AS mass_highest_kg,
        CASE
            WHEN max(r.mass_quality) = 'Good' THEN 'Good'::quality
            WHEN count(r.mass_kg) = 0 THEN 'Bad'
            ELSE 'Uncertain'
        END AS mass_range_quality
    FROM records r
    WHERE r.site = t.site AND r.tank = t.tank AND r.instant >= h.hour AND r.instant < h.hour + interval '1 hour'
) a
CROSS JOIN LATERAL (
    SELECT * FROM records r
    WHERE r.site = t.site AND r.tank = t.tank AND r.instant >= h.hour AND r.instant < h.hour + interval '1 hour' ORDER BY r.instant DESC, r.boot DESC, r.sequence DESC LIMIT 1
) l;
COMMENT ON VIEW hours IS 'Each tank and hour (UTC) with records: counts by quality, lowest and highest of what is not Bad (at most Uncertain where any was not Good), and the last record';
