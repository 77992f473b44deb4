"""What goes with a signed report: key images, annotations, PDF, and other systems' formats."""
