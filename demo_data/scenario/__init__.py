"""The invented unit and the code that draws its CT; every person in it is made up."""
