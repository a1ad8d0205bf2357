"""What is normal in a house: kept takes, and where the next take should lie."""
