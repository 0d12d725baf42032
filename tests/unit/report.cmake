tw_test(test_report_text SOURCES unit/test_report_text.c unit/report_fixture.c ROOMS report)
tw_test(test_report_json SOURCES unit/test_report_json.c unit/report_fixture.c ROOMS report SYSTEM PkgConfig::JANSSON)
tw_test(test_report_plot SOURCES unit/test_report_plot.c unit/report_fixture.c unit/report_xml.c ROOMS report)
tw_test(test_report_pickup SOURCES unit/test_report_pickup.c ROOMS report SYSTEM PkgConfig::JANSSON)
tw_test(test_report_thin SOURCES unit/test_report_thin.c ROOMS report PRIVATE_OF report)
tw_test(test_report_html SOURCES unit/test_report_html.c unit/report_fixture.c unit/report_xml.c ROOMS report)
tw_test(test_report_delimited SOURCES unit/test_report_delimited.c unit/report_fixture.c ROOMS report)
tw_test(test_report_map SOURCES unit/test_report_map.c unit/report_fixture.c unit/report_xml.c ROOMS report
    SYSTEM PkgConfig::JANSSON)
set_tests_properties(test_report_pickup test_report_plot test_report_html test_report_map PROPERTIES ENVIRONMENT
    "LSAN_OPTIONS=suppressions=${PROJECT_SOURCE_DIR}/tests/unit/report_leaks.supp:print_suppressions=0")
