"""Archives: many recordings checked, each once, on this computer or on several."""
