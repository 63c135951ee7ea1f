-- The transfer, ticket, amount or day close that an event is about; NULL where it is about none.
ALTER TABLE events
    ADD COLUMN document jsonb;
COMMENT ON COLUMN events.document IS 'Of the accounts: the paper that it is about. Not for custody transfer, fiscal, excise or legal-metrology use';
