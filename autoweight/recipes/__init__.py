"""What the user asked for: recipes, and the falloff profiles they name."""
