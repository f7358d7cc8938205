"""Who may do what: access keys, roles, and how often."""
