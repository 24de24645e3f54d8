// The stored inputs of the fuzz targets, replayed in every build of the C++ tests.

#include "targets.hpp"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <vector>

namespace lobetime {
namespace {

void replay(bool (*target)(fuzz::Input), const std::string& name) {
    std::size_t taken = 0, refused = 0;
    for (const auto& entry : std::filesystem::directory_iterator(LOBETIME_SOURCE_DIR "/tests/fuzz/corpus/" + name)) {
        std::ifstream file(entry.path(), std::ios::binary);
        const std::vector<char> bytes{std::istreambuf_iterator<char>(file), {}};
        ASSERT_TRUE(file.good() || file.eof()) << entry.path();
        bool took = false;
        EXPECT_NO_THROW(took = target({reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size()}))
            << entry.path();
        ++(took ? taken : refused);
    }
    // Inputs that are all refused would show little.
    EXPECT_GT(taken, 0U) << name;
    EXPECT_GT(refused, 0U) << name;
}

TEST(FuzzCorpus, ModelFile) { replay(fuzz::model_file, "model_file"); }
TEST(FuzzCorpus, Fit) { replay(fuzz::fit, "fit"); }
TEST(FuzzCorpus, Lists) { replay(fuzz::lists, "lists"); }

}  // namespace
}  // namespace lobetime
