"""Who may do what: roles, passwords, tokens, sessions. Deny by default."""
