"""The motor and its instruments as a model, served over TCP; shares no code with what measures it."""
