"""Pure clinical rules: kidney function, body size, guideline tables, schedules, survival. No framework, no database."""
