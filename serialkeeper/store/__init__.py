"""The record on disk: tables, journal, transactions. The only place that speaks SQL."""
