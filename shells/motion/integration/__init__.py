"""Integration of mean elements over years, in steps of weeks."""
