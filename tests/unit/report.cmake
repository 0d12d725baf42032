tw_test(test_report_text SOURCES unit/test_report_text.c unit/report_fixture.c ROOMS report)
tw_test(test_report_json SOURCES unit/test_report_json.c unit/report_fixture.c ROOMS report SYSTEM PkgConfig::JANSSON)
