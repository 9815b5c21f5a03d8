from pipelines.cli import main

main()
