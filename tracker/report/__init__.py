"""For the coach: charts and pages."""
