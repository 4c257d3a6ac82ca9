"""The room where the others meet: sequences are read and run, records made, sheets drawn."""
