"""Text of files into a Site, or into every Problem they have."""
