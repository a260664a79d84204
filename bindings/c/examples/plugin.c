/* A plugin that lays a recorder's sound under a camera's clip. It is linked with Coeval; its host is not. */
#include "plugin.h"

#include <stdio.h>
#include <stdlib.h>

#include <coeval.h>

typedef struct instance {
    double rate_hz;
    coeval_error *error;
    coeval_track_builder *builders[2];
    coeval_resampler *resampler;
    char report[200];
} instance;

static int failed(instance *s) {
    snprintf(s->report, sizeof s->report, "%s", coeval_error_text(s->error));
    return 0;
}

static void close_instance(void *opaque) {
    instance *s = opaque;
    coeval_track_builder_free(&s->builders[PLUGIN_CLIP]);
    coeval_track_builder_free(&s->builders[PLUGIN_RECORDER]);
    coeval_resampler_free(&s->resampler);
    coeval_error_free(&s->error);
    free(s);
}

static void *open_instance(double rate_hz) {
    instance *s;
    int i;
    if (coeval_abi_version() != COEVAL_ABI_VERSION || (s = calloc(1, sizeof *s)) == NULL) return NULL;
    s->rate_hz = rate_hz;
    s->error = coeval_error_new();
    for (i = 0; i < 2; i++) {
        if (coeval_track_builder_new(rate_hz, 1, &s->builders[i], s->error) != COEVAL_OK) {
            close_instance(s);
            return NULL;
        }
    }
    return s;
}

static int analyse(void *opaque, int which, const float *samples, size_t frames) {
    instance *s = opaque;
    coeval_status status = coeval_track_builder_push_interleaved(s->builders[which], samples, frames, s->error);
    return status == COEVAL_OK || failed(s);
}

/* The clip is `a`, the recorder `b`: the map found leads from the recorder's time to the clip's own time, and
 * with that as timeline the resampler's output lies under the clip. */
static int settle(void *opaque, size_t clip_frames) {
    instance *s = opaque;
    coeval_track *clip = NULL, *recorder = NULL;
    coeval_pair *pair = NULL;
    coeval_pair_summary found;
    coeval_clock_map *map = NULL;
    coeval_resample_options *options = coeval_resample_options_new(s->rate_hz, s->rate_hz, 1, clip_frames);
    int good;
    found.struct_size = sizeof found;
    good = coeval_track_builder_finish(&s->builders[PLUGIN_CLIP], &clip, s->error) == COEVAL_OK &&
           coeval_track_builder_finish(&s->builders[PLUGIN_RECORDER], &recorder, s->error) == COEVAL_OK &&
           coeval_pair_align(clip, recorder, NULL, NULL, NULL, &pair, s->error) == COEVAL_OK &&
           coeval_pair_get_summary(pair, &found, s->error) == COEVAL_OK;
    if (good && !found.placed) {
        snprintf(s->report, sizeof s->report, "unplaced: %s", coeval_pair_reason(pair));
        good = 0;
    } else if (good) {
        good = coeval_pair_clock_map(pair, &map, s->error) == COEVAL_OK &&
               coeval_resampler_new(map, NULL, options, &s->resampler, s->error) == COEVAL_OK;
        if (good)
            snprintf(s->report, sizeof s->report, "offset %.6f s, drift %.2f ppm, confidence %.4f", found.offset_s,
                     found.drift_ppm, found.confidence);
        else
            failed(s);
    } else {
        failed(s);
    }
    coeval_clock_map_free(&map);
    coeval_resample_options_free(&options);
    coeval_pair_free(&pair);
    coeval_track_free(&recorder);
    coeval_track_free(&clip);
    return good;
}

static int wants(void *opaque, size_t *frame) {
    instance *s = opaque;
    uint64_t wanted = 0;
    int yes = coeval_resampler_wants(s->resampler, &wanted);
    *frame = (size_t)wanted;
    return yes;
}

static int feed(void *opaque, const float *samples, size_t frames) {
    instance *s = opaque;
    coeval_status status = frames > 0
                               ? coeval_resampler_push_interleaved(s->resampler, samples, frames, s->error)
                               : coeval_resampler_end_of_source(s->resampler, s->error);
    return status == COEVAL_OK || failed(s);
}

static size_t take(void *opaque, float *samples, size_t capacity) {
    instance *s = opaque;
    size_t frames = 0;
    if (coeval_resampler_pull_interleaved(s->resampler, samples, capacity, NULL, &frames, s->error) != COEVAL_OK)
        failed(s);
    return frames;
}

static const char *report(void *opaque) { return ((instance *)opaque)->report; }

static const plugin_interface interface = {open_instance, analyse, settle, wants, feed, take, report, close_instance};

#if defined(__GNUC__)
__attribute__((visibility("default")))
#endif
const plugin_interface *plugin_entry(void);

const plugin_interface *plugin_entry(void) { return &interface; }
