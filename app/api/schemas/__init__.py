"""What comes in and goes out over HTTP, one module per topic; inputs, tables and outputs are separate types."""
