"""Who may come in: people and passphrases, sessions, paired phones, the network door, and what each route asks."""
