/* Programs that were built with the header of the first version of the binary interface run with this library: structs
 * that begin with struct_size are filled as far as such a program knows them. */
#include "test.h"

/* Sizes of the structs in that version, where a pointer has 64 bits. These numbers never change. */
enum {
    LEVEL_SUMMARY_1 = 104,
    CHANNEL_LEVEL_1 = 72,
    MARKER_1 = 72,
    MARKER_MATCH_SUMMARY_1 = 72,
    RENDERED_1 = 40,
    PAIR_SUMMARY_1 = 96,
    FILE_1 = 80,
    RECORDING_PAIR_1 = 56,
    ANCHOR_CHECK_1 = 32,
    SPEECH_SEGMENT_1 = 40,
    PLAN_ENTRY_1 = 64,
    VOICE_1 = 48
};

/* A struct of that version and what lies behind it in such a program, which must not be touched. */
typedef union old {
    size_t struct_size;
    unsigned char bytes[256];
} old;

static coeval_error *error;

static void begin(old *with, size_t size) {
    memset(with, 0xa5, sizeof *with);
    with->struct_size = size;
}

static void filled(const old *with, size_t size) {
    size_t i;
    CHECK(with->struct_size == size);
    for (i = size; i < sizeof *with; i++) CHECK(with->bytes[i] == 0xa5);
}

/* Fills as a program of that version does; one byte less has never been right. */
#define CHECK_OLD(type, size, call)                                                    \
    do {                                                                               \
        old with;                                                                      \
        type *const out = (type *)(void *)&with;                                       \
        CHECK(sizeof(type) >= (size) && sizeof(type) <= sizeof with);                  \
        begin(&with, (size));                                                          \
        CHECK_OK(call, error);                                                         \
        filled(&with, (size));                                                         \
        begin(&with, (size) - 1);                                                      \
        CHECK((call) == COEVAL_INVALID_ARGUMENT);                                      \
        filled(&with, (size) - 1);                                                     \
    } while (0)

static const char *ALIGNED =
    "{\"schema\": \"coeval.alignment/1\", \"generator\": {\"name\": \"x\", \"version\": \"1\"},"
    "\"timeline\": {\"clock\": \"a\", \"duration_s\": 60.0},"
    "\"pairs\": [{\"a\": \"a\", \"b\": \"b\", \"overlap_s\": 1.0, \"confidence\": 1.0, \"residual_rms_s\": 0.0,"
    "\"evidence\": 3}], \"recordings\": [{\"id\": \"a\", \"kind\": \"recorder\", \"files\": [{\"path\": \"rec.wav\","
    "\"status\": \"placed\", \"reason\": null, \"duration_s\": 60.0, \"confidence\": 1.0, \"uncertainty_s\": 0.001,"
    "\"offset_s\": 0.0, \"drift_ppm\": 0.0, \"knots\": [[0.0, 0.0], [60.0, 60.0]], \"jumps\": []}]}]}";
static const char *HEARD =
    "{\"schema\": \"coeval.speech/1\", \"placed\": [[\"rec.wav\", [[0.0, 0.0], [60.0, 60.0]]]], \"recorder\": \"a\","
    "\"voices\": [{\"start_s\": 10.0, \"end_s\": 14.0, \"origin\": \"intercom\", \"confidence\": 0.9,"
    "\"heard_by\": []}], \"events\": []}";

int main(void) {
    static float block[48000];
    coeval_track *a = make_track(48000.0, 0, 10 * 48000, 11), *b = make_track(48000.0, 48000, 8 * 48000, 12);
    coeval_pair *pair = NULL;
    coeval_level_meter *meter = NULL;
    coeval_level_report *report = NULL;
    coeval_marker_detector *detector = NULL;
    coeval_marker_match *match = NULL;
    coeval_speech_curve *curve = hear_speech(9 * 48000);
    coeval_speech_segments *segments = NULL;
    coeval_alignment *alignment = NULL;
    coeval_voices *voices = NULL;
    coeval_plan *plan = NULL;
    uint32_t state = 5;
    size_t i;
    if (sizeof(void *) != 8) return 0;
    error = coeval_error_new();
    /* A clap in the middle of some noise. */
    for (i = 0; i < 48000; i++) block[i] = noise(&state) * (i >= 24000 && i < 24500 ? 1.0f : 0.002f);
    CHECK_OK(coeval_pair_align(a, b, NULL, NULL, NULL, &pair, error), error);
    CHECK_OK(coeval_level_meter_new_hz(48000.0, 1, &meter, error), error);
    CHECK_OK(coeval_level_meter_push_interleaved(meter, block, 48000, error), error);
    CHECK_OK(coeval_level_meter_finish(&meter, &report, error), error);
    CHECK_OK(coeval_marker_detector_new(48000.0, 1, NULL, &detector, error), error);
    CHECK_OK(coeval_marker_detector_push_interleaved(detector, block, 48000, error), error);
    CHECK_OK(coeval_marker_detector_end(detector, error), error);
    CHECK(coeval_marker_detector_count(detector) > 0);
    CHECK_OK(coeval_marker_match_new(detector, detector, NULL, &match, error), error);
    CHECK_OK(coeval_speech_curve_segments(curve, NULL, &segments, error), error);
    CHECK_OK(coeval_alignment_from_json(ALIGNED, &alignment, error), error);
    CHECK_OK(coeval_voices_from_json(HEARD, alignment, &voices, error), error);
    CHECK_OK(coeval_tighten(alignment, voices, NULL, &plan, error), error);

    CHECK_OLD(coeval_pair_summary, PAIR_SUMMARY_1, coeval_pair_get_summary(pair, out, error));
    CHECK_OLD(coeval_level_summary, LEVEL_SUMMARY_1, coeval_level_report_get_summary(report, out, error));
    CHECK_OLD(coeval_channel_level, CHANNEL_LEVEL_1, coeval_level_report_get_channel(report, 0, out, error));
    CHECK_OLD(coeval_marker, MARKER_1, coeval_marker_detector_get(detector, 0, out, error));
    CHECK_OLD(coeval_marker_match_summary, MARKER_MATCH_SUMMARY_1, coeval_marker_match_get_summary(match, out, error));
    CHECK_OLD(coeval_speech_segment, SPEECH_SEGMENT_1, coeval_speech_segments_get(segments, 0, out, error));
    CHECK_OLD(coeval_file, FILE_1, coeval_alignment_get_file(alignment, 0, out, error));
    CHECK_OLD(coeval_recording_pair, RECORDING_PAIR_1, coeval_alignment_get_pair(alignment, 0, out, error));
    CHECK_OLD(coeval_voice, VOICE_1, coeval_voices_get(voices, 0, out, error));
    CHECK_OLD(coeval_plan_entry, PLAN_ENTRY_1, coeval_plan_get_entry(plan, 0, out, error));
    CHECK(sizeof(coeval_rendered) >= RENDERED_1 && sizeof(coeval_anchor_check) >= ANCHOR_CHECK_1);

    coeval_plan_free(&plan);
    coeval_voices_free(&voices);
    coeval_alignment_free(&alignment);
    coeval_speech_segments_free(&segments);
    coeval_speech_curve_free(&curve);
    coeval_marker_match_free(&match);
    coeval_marker_detector_free(&detector);
    coeval_level_report_free(&report);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
    coeval_error_free(&error);
    return finished("growth");
}
