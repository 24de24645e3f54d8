#include <gtest/gtest.h>

#include <lobetime/version.hpp>
#include <string>
#include <vector>

namespace {

TEST(Version, LibraryAndHeadersAgree) { EXPECT_STREQ(lobetime::version(), LOBETIME_VERSION); }

TEST(Version, TextIsMadeOfTheThreeNumbers) {
    const std::string numbers = std::to_string(LOBETIME_VERSION_MAJOR) + "." + std::to_string(LOBETIME_VERSION_MINOR) +
                                "." + std::to_string(LOBETIME_VERSION_PATCH);
    EXPECT_EQ(numbers, lobetime::version());
}

TEST(Version, BuildFactsAreAllThere) {
    std::vector<std::string> names;
    for (const auto& [name, value] : lobetime::build_facts()) {
        names.push_back(name);
        EXPECT_FALSE(value.empty()) << name;
    }
    EXPECT_EQ(names,
              (std::vector<std::string>{"compiler", "standard", "build", "processor", "Ceres", "Eigen", "threads"}));
    EXPECT_EQ(lobetime::build_facts()[1].second, "C++20");
    EXPECT_GE(std::stoi(lobetime::build_facts().back().second), 1);
}

}  // namespace
