"""What an oil or fuel is: index, grades, numbers of its kind."""
