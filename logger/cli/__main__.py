from logger.cli import main

main()
