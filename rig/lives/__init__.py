"""Lives and ultimate loads of a few specimens: what they say and what not. Pure functions, SI."""
