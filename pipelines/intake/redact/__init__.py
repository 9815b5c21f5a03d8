"""Take what is of people who were forgotten out of files, and leave every row of others as it is."""
