/* A host that is not linked with Coeval opens the library, compares two tracks, closes it, and does so again: no thread
 * of the library's is left behind. Argument: the shared library. */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>

#include "test.h"

static void *library;

/* The address of a pointer to the library's function of that name. */
static void *find(const char *name) {
    static void *found;
    found = dlsym(library, name);
    CHECK(found != NULL);
    return &found;
}

static int threads(void) {
    DIR *tasks = opendir("/proc/self/task");
    int count = -2; /* "." and ".." */
    CHECK(tasks != NULL);
    while (readdir(tasks) != NULL) count++;
    closedir(tasks);
    return count;
}

int main(int argc, char **argv) {
    static float block[4 * 48000];
    uint32_t state = 2463534242u;
    size_t i;
    int round;
    CHECK(argc > 1);
    for (i = 0; i < sizeof block / sizeof *block; i++) block[i] = shared_sound(&state, i);
    for (round = 0; round < 20; round++) {
        coeval_track_builder *builder = NULL;
        coeval_track *track = NULL;
        coeval_pair *pair = NULL;
        coeval_status (*builder_new)(double, size_t, coeval_track_builder **, coeval_error *);
        coeval_status (*push)(coeval_track_builder *, const float *, size_t, coeval_error *);
        coeval_status (*finish)(coeval_track_builder **, coeval_track **, coeval_error *);
        coeval_status (*align)(const coeval_track *, const coeval_track *, const coeval_pair_options *,
                               coeval_progress_fn, void *, coeval_pair **, coeval_error *);
        void (*free_track)(coeval_track **);
        void (*free_pair)(coeval_pair **);
        library = dlopen(argv[1], RTLD_NOW | RTLD_LOCAL);
        CHECK(library != NULL);
        memcpy(&builder_new, find("coeval_track_builder_new"), sizeof builder_new);
        memcpy(&push, find("coeval_track_builder_push_interleaved"), sizeof push);
        memcpy(&finish, find("coeval_track_builder_finish"), sizeof finish);
        memcpy(&align, find("coeval_pair_align"), sizeof align);
        memcpy(&free_track, find("coeval_track_free"), sizeof free_track);
        memcpy(&free_pair, find("coeval_pair_free"), sizeof free_pair);
        CHECK(builder_new(48000.0, 1, &builder, NULL) == COEVAL_OK);
        CHECK(push(builder, block, sizeof block / sizeof *block, NULL) == COEVAL_OK);
        CHECK(finish(&builder, &track, NULL) == COEVAL_OK);
        CHECK(align(track, track, NULL, NULL, NULL, &pair, NULL) == COEVAL_OK);
        free_pair(&pair);
        free_track(&track);
        CHECK(threads() == 1);
        CHECK(dlclose(library) == 0);
    }
    return finished("unload");
}
