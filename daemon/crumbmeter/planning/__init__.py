"""Planning before a line is built or used: pure arithmetic that nothing asks while the plant runs."""
