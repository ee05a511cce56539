"""Notes from the bench become rows with an uncertainty"""
