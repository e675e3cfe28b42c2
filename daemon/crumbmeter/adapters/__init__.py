"""One outside system each. The only room that imports its library."""
