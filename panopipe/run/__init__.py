"""A run over a job: plan, ledger, workers, events. It knows stages only through the contract."""
