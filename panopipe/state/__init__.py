"""What a job keeps between runs: ledger, records, log, lock, files' stamps."""
