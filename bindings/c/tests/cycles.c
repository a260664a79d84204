/* A thousand times from blocks to a result and back: not one allocation may be left over. */
#include "counting.h"
#include "test.h"

static coeval_error *error;
static float block[4800];

static coeval_track *short_track(void) {
    coeval_track_builder *builder = NULL;
    coeval_track *track = NULL;
    const float *planes[1];
    planes[0] = block;
    CHECK_OK(coeval_track_builder_new(16000.0, 1, &builder, error), error);
    CHECK_OK(coeval_track_builder_push_interleaved(builder, block, 4800, error), error);
    CHECK_OK(coeval_track_builder_push_planar(builder, planes, 4800, error), error);
    CHECK_OK(coeval_track_builder_finish(&builder, &track, error), error);
    return track;
}

static void cycle(void) {
    coeval_track *a = short_track(), *b = short_track();
    coeval_track_builder *builder = NULL;
    coeval_pair_options *options = coeval_pair_options_new();
    coeval_pair *pair = NULL;
    coeval_clock_map *map = NULL;
    coeval_resample_options *resample = coeval_resample_options_new(16000.0, 16000.0, 1, 4800);
    coeval_resampler *resampler = NULL;
    coeval_marker_detector *detector = NULL;
    coeval_marker_match *match = NULL;
    coeval_level_meter *meter = NULL;
    coeval_level_report *report = NULL;
    coeval_speech_builder *hearing = NULL;
    coeval_speech_curve *curve = NULL;
    coeval_speech_options *speech = coeval_speech_options_new();
    coeval_speech_segments *segments = NULL;
    coeval_shared_meter *shared = NULL, *unfinished = NULL;
    coeval_limiter *limiter = NULL;
    coeval_shoot *shoot = coeval_shoot_new();
    coeval_alignment *alignment = NULL;
    coeval_voices *voices = NULL;
    coeval_tighten_options *tighten = coeval_tighten_options_new();
    coeval_plan *plan = NULL;
    coeval_error *own = coeval_error_new();
    uint64_t frame;
    size_t frames;
    float out[4800];
    double answers[8];

    CHECK_OK(coeval_pair_align(a, b, options, NULL, NULL, &pair, error), error);
    CHECK_OK(coeval_clock_map_linear(0.0, 10.0, 1.0, &map, error), error);
    CHECK_OK(coeval_resampler_new(map, NULL, resample, &resampler, error), error);
    while (coeval_resampler_wants(resampler, &frame)) {
        CHECK_OK(coeval_resampler_push_interleaved(resampler, block, 4800, error), error);
    }
    CHECK_OK(coeval_resampler_pull_interleaved(resampler, out, 4800, NULL, &frames, error), error);
    CHECK_OK(coeval_marker_detector_new(16000.0, 1, NULL, &detector, error), error);
    CHECK_OK(coeval_marker_detector_push_interleaved(detector, block, 4800, error), error);
    CHECK_OK(coeval_marker_match_new(detector, detector, NULL, &match, error), error);
    CHECK_OK(coeval_level_meter_new_hz(16000.0, 1, &meter, error), error);
    CHECK_OK(coeval_level_meter_push_interleaved(meter, block, 4800, error), error);
    CHECK_OK(coeval_level_meter_finish(&meter, &report, error), error);
    CHECK_OK(coeval_speech_builder_new(16000.0, 1, &hearing, error), error);
    CHECK_OK(coeval_speech_builder_push_interleaved(hearing, block, 4800, error), error);
    CHECK_OK(coeval_speech_builder_finish(&hearing, &curve, error), error);
    CHECK_OK(coeval_speech_curve_segments(curve, speech, &segments, error), error);
    CHECK_OK(coeval_shared_meter_new(segments, &shared, error), error);
    CHECK_OK(coeval_shared_meter_new(segments, &unfinished, error), error);
    CHECK_OK(coeval_shared_meter_push(shared, block, block, 4800, error), error);
    CHECK_OK(coeval_shared_meter_finish(&shared, answers, 8, error), error);
    CHECK_OK(coeval_limiter_new(16000.0, 1, -20.0, &limiter, error), error);
    CHECK_OK(coeval_limiter_push_interleaved(limiter, block, 4800, error), error);
    CHECK_OK(coeval_shoot_add_track(shoot, "one", "cam-a", COEVAL_CAMERA, &a, error), error);
    CHECK_OK(coeval_alignment_from_json(
                 "{\"schema\": \"coeval.alignment/1\", \"generator\": {\"name\": \"x\", \"version\": \"1\"},"
                 "\"timeline\": {\"clock\": \"a\", \"duration_s\": 0}, \"pairs\": [],"
                 "\"recordings\": [{\"id\": \"a\", \"kind\": \"camera\", \"files\": []}]}",
                 &alignment, error),
             error);
    CHECK_OK(coeval_voices_from_json("{\"schema\": \"coeval.speech/1\", \"placed\": [], \"recorder\": \"a\", \"voices\": [], \"events\": []}",
                                     alignment, &voices, error),
             error);
    CHECK_OK(coeval_tighten_options_add_event(tighten, 1.0, 2.0, "a buoy", error), error);
    CHECK_OK(coeval_tighten(alignment, voices, tighten, &plan, error), error);
    /* What fails must leave nothing behind either. */
    CHECK(coeval_track_builder_new(0.0, 1, &builder, own) == COEVAL_INVALID_ARGUMENT);
    CHECK(coeval_shoot_add_path(shoot, "no/such/folder", own) == COEVAL_OK);

    coeval_error_free(&own);
    coeval_plan_free(&plan);
    coeval_tighten_options_free(&tighten);
    coeval_voices_free(&voices);
    coeval_alignment_free(&alignment);
    coeval_shoot_free(&shoot);
    coeval_limiter_free(&limiter);
    coeval_shared_meter_free(&unfinished);
    coeval_speech_segments_free(&segments);
    coeval_speech_options_free(&speech);
    coeval_speech_curve_free(&curve);
    coeval_level_report_free(&report);
    coeval_marker_match_free(&match);
    coeval_marker_detector_free(&detector);
    coeval_resampler_free(&resampler);
    coeval_resample_options_free(&resample);
    coeval_clock_map_free(&map);
    coeval_pair_free(&pair);
    coeval_pair_options_free(&options);
    coeval_track_free(&a);
    coeval_track_free(&b);
}

int main(int argc, char **argv) {
    int i, cycles = argc > 1 ? atoi(argv[1]) : 1000;
    long before, after;
    uint32_t state = 7;
    for (i = 0; i < 4800; i++) block[i] = noise(&state);
    error = coeval_error_new();
    /* The first cycles start threads and fill what lives as long as the library. */
    for (i = 0; i < 3; i++) cycle();
    before = atomic_load(&live);
    for (i = 0; i < cycles; i++) cycle();
    after = atomic_load(&live);
    printf("%d cycles, %ld allocations, %ld live before, %ld after\n", cycles, atomic_load(&made), before, after);
    CHECK(atomic_load(&made) > cycles);
    /* What is lost in every cycle adds up to as many as there were; a thread that has not ended yet, or a list of the
       library's own that has grown once, holds a few. */
    CHECK(after - before < cycles / 100 + 1);
    coeval_error_free(&error);
    return finished("cycles");
}
