"""What people read about a test: figures and pages made from what the program holds as data."""
