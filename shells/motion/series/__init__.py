"""Elementary functions as series, for loops that the compiler shall do several at once."""
