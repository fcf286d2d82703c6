"""The engine: laws to numbers. It knows domains, balances and batches; it knows nothing of vehicles."""
