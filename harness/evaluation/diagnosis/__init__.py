"""The diagnosis of a run. A cause is added in `causes.toml`; its words are in `cause_schema`, what they do to a reading in `predictions`."""
