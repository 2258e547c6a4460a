"""What copper, tin and their compounds are: phases, composition, properties, growth constants, literature."""
